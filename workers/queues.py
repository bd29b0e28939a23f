"""The queues, who works on them, and the names of the tasks.

Each queue has a worker process of its own, so that nothing waits behind something of another kind: a
gateway that answers slowly keeps couriers busy for seconds, and neither the clocks nor an alarm may stand
behind that.
"""

from __future__ import annotations

from typing import Final

DEADLINES: Final = "deadlines"  # the sweep, which never waits for anything outside of the database
URGENT: Final = "urgent"  # couriers that carry distress, alerts and stand-downs only
MESSAGES: Final = "messages"  # couriers that carry everything, the most urgent first

# How many tasks of a queue may run at once. Two, so that one which hangs until its time limit has a
# neighbour.
AT_ONCE: Final = {DEADLINES: 2, URGENT: 2, MESSAGES: 2}

# Where the processor is short, whoever stores texts, decides or carries an alarm goes before what is calm, which has
# about a tenth of their share then. Alarms do not depend on it, since `urgent` carries them too.
NICER_BY: Final = {MESSAGES: 10}

SWEEP: Final = "deadlines.sweep"
CANARY_OUT: Final = "upkeep.canary_out"
CANARY_ON: Final = "upkeep.canary_on"
CANARY_HOME: Final = "upkeep.canary_home"
CARRY_URGENT: Final = "courier.carry_urgent"
CARRY_ALL: Final = "courier.carry_all"
CHECKPOINT: Final = "upkeep.checkpoint"
POLL: Final = "upkeep.poll"
GATEWAYS: Final = "upkeep.gateways"
CANARY_DIVES: Final = "upkeep.canary_dives"
RETENTION: Final = "upkeep.retention"

QUEUE_OF: Final = {
    SWEEP: DEADLINES,
    CANARY_OUT: DEADLINES,
    CANARY_ON: MESSAGES,
    CANARY_HOME: URGENT,
    CARRY_URGENT: URGENT,
    CARRY_ALL: MESSAGES,
    CHECKPOINT: DEADLINES,
    POLL: MESSAGES,
    GATEWAYS: MESSAGES,
    CANARY_DIVES: MESSAGES,
    RETENTION: MESSAGES,
}
