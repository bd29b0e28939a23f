"""Real processes killed at the worst moment: the alarm is handed over all the same."""

from __future__ import annotations

import re
import time
from collections import Counter
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from service.store import log
from tests.end_to_end.installation import ANNA, BRAM, CLEO, DOV, EDDA, ROLES, Installation, installed

pytestmark = pytest.mark.processes

ALARM_WITHIN_S = 60.0
# The keeper looks every 5 s and takes over what is 10 s late. Distress comes a quarter of an hour after the alert,
# which must be well beyond those 15 s, or a keeper that catches up goes straight to distress, as it should.
PACE = 30
KILLED_BEFORE_S = 4.0


def arm(here: Installation, **plan: object) -> dict[str, object]:
    """A dive that is in the water and armed."""
    filed = here.file(**plan)
    here.text(ANNA, f"IN {filed['start_code']}")
    here.wait_for(lambda: here.dive(filed["id"])["armed"], 30, "armed")
    return here.dive(filed["id"])


def verified(here: Installation) -> bool:
    """Whether every chain and every fold is right."""
    return here.service().read(log.verify_all) == []


def alarms(here: Installation, number: str) -> list[str]:
    """The alarm texts that the gateway took for a number."""
    return [one.body for one in here.taken(number) if "OVERDUE" in one.body]


def carriers(here: Installation, dive_id: str) -> list[str]:
    """Which processes the log names as having carried an alert of a dive."""
    attempts = [
        entry.detail or {} for entry in here.entries(log.dive_chain(dive_id)) if entry.kind.startswith("attempt:")
    ]
    return [attempt["carried_by"] for attempt in attempts if attempt["step"].startswith("alert")]


def test_worker_beat_and_broker_killed_as_the_alert_is_due(tmp_path: Path) -> None:
    """The alert is at the gateway within 60 s, once or twice, and the log says that the keeper carried it."""
    with installed(tmp_path, f"sqlite:///{tmp_path / 'linetender.db'}", PACE) as here:
        here.start(*ROLES)
        here.wait_until_ready()
        dive = arm(here, run_time_min=5, grace_min=8)
        raise_by = datetime.fromisoformat(str(dive["raise_by"]))
        left = raise_by - here.service().clock.now()
        time.sleep(max(0.0, left.total_seconds() / PACE - KILLED_BEFORE_S))
        assert alarms(here, CLEO) == []

        here.kill("worker", "beat")
        here.broker.kill()
        here.wait_for(lambda: bool(alarms(here, CLEO)), ALARM_WITHIN_S, "the alert is at the gateway")

        assert 1 <= len([body for body in alarms(here, CLEO) if "CALL RESCUE NOW" not in body]) <= 2
        # The gateway writes its journal before it answers, and the log has the attempt only after the answer.
        here.wait_for(lambda: bool(carriers(here, str(dive["id"]))), 30, "the attempt is in the log")
        carried_by = carriers(here, str(dive["id"]))
        assert all(carrier.startswith("keeper-") for carrier in carried_by)
        here.wait_for(lambda: "take_over" in [entry.kind for entry in here.entries("service")], 30, "it is said")
        assert verified(here)


def test_everything_killed_for_forty_minutes_of_a_dive(tmp_path: Path) -> None:
    """Started again, each person gets one text, of the most severe step that is due for them, with true times."""
    with installed(tmp_path, f"sqlite:///{tmp_path / 'linetender.db'}", 4) as here:
        here.start(*ROLES)
        here.wait_until_ready()
        # Distress is due 38 minutes after the start.
        dive = arm(here, run_time_min=10, grace_min=13)
        here.wait_until_settled()
        before = len(here.taken())

        here.kill(*ROLES)
        here.broker.kill()
        here.move_clock_on(timedelta(minutes=40))
        here.broker.start()
        here.start(*ROLES)
        here.wait_until_ready()
        here.wait_for(lambda: all(alarms(here, phone) for phone in (CLEO, DOV, EDDA)), 30, "distress to all")
        here.wait_until_settled()

        people = (ANNA, BRAM, CLEO, DOV, EDDA)
        news = Counter(one.to for one in here.taken()[before:] if one.to in people)
        assert news == dict.fromkeys(people, 1)
        assert all("Your contacts are being alerted" in here.taken(phone)[-1].body for phone in (ANNA, BRAM))
        due_out = datetime.fromisoformat(str(dive["due_out"])).astimezone(ZoneInfo("Europe/London"))
        for phone in (CLEO, DOV, EDDA):
            [alarm] = alarms(here, phone)
            assert "CALL RESCUE NOW" in alarm
            # Played across midnight, the day is named too.
            assert re.search(rf"due out (?:\w{{3}} \d{{1,2}} \w{{3}} )?{due_out:%H:%M}\.", alarm)
        [outage] = [entry for entry in here.entries("service") if entry.kind == "outage"]
        assert dive["id"] in [late["dive"] for late in (outage.detail or {})["fell_due"]]
        assert verified(here)


def test_two_of_everything_and_every_webhook_twice_double_nothing(tmp_path: Path) -> None:
    """Two workers, beats and keepers, each text and receipt posted twice: every person gets each text once."""
    with installed(tmp_path, f"sqlite:///{tmp_path / 'linetender.db'}", PACE, receipts=True) as here:
        here.start(*ROLES, "worker", "beat", "keeper")
        here.wait_until_ready()
        filed = here.file(run_time_min=5, grace_min=8)
        here.text(ANNA, f"IN {filed['start_code']}", times=2)
        here.wait_for(lambda: bool(alarms(here, CLEO)), 60, "the alert")
        here.text(CLEO, "OK", times=2)
        here.wait_for(lambda: bool(here.dive(filed["id"])["acknowledged"]), 30, "acknowledged")
        here.text(ANNA, "OUT 2", times=2)
        here.wait_for(lambda: here.dive(filed["id"])["phase"] == "closed", 30, "closed")
        here.wait_for(
            lambda: all(any("It is over" in one.body for one in here.taken(phone)) for phone in (BRAM, CLEO, DOV)),
            30,
            "stand-down",
        )
        here.wait_until_settled()
        for one in here.taken():
            if one.status_callback:
                again = here.control("/control/receipt", url=one.status_callback, sid=one.sid, word="delivered")
                assert again["status"] == 200
        here.wait_until_settled()

        doubled = {
            key: times for key, times in Counter((one.to, one.body) for one in here.taken()).items() if times > 1
        }
        assert doubled == {}
        kinds = Counter(entry.kind for entry in here.entries(log.dive_chain(filed["id"])))
        assert (kinds["event:started"], kinds["event:acknowledged"], kinds["event:closed"]) == (1, 1, 1)
        assert verified(here)
