"""A violation that is put into one day on purpose: a run that does not report it proves nothing."""

from __future__ import annotations

from tests.simulation.database import Database
from tests.simulation.figures import Played
from tests.simulation.world import World

SEEDS_TRIED_MAX = 60  # not every day has an alarm that ends

# A contact who was alarmed and then told by a text that it is over for good: who closes the dive themselves is
# answered instead, but for an admin to whom it was handed up, and of whom the question does not ask. So is a diver who
# is a contact too.
STOOD_DOWN = """
SELECT over.id, over.dive_id, over.phone FROM messages AS over JOIN messages AS alarm
 ON alarm.dive_id = over.dive_id AND alarm.phone = over.phone AND alarm.priority <= 1
 JOIN dives AS dive ON dive.id = over.dive_id AND dive.phase = 'closed' AND over.queued_at >= dive.closed_at
 WHERE over.person_key LIKE 'contact-%' AND over.kind = 'stand_down'
 AND over.state IN ('handed', 'delivered') AND alarm.state IN ('handed', 'delivered')
 AND NOT EXISTS (SELECT 1 FROM dive_phones AS own
 WHERE own.dive_id = over.dive_id AND own.phone = over.phone AND own.role = 'diver')
 ORDER BY over.id
"""
ALL_OF_IT = "SELECT id FROM messages WHERE dive_id = ? AND phone = ? AND kind = 'stand_down'"


def suppress_a_stand_down(world: World) -> bool:
    """Let it look as if no gateway ever got what we say we handed over; False where there was no such message.

    With all that told the same person the same: who is an admin too, or had an alarm in mid-call, is told twice.
    """
    taken = {one.reference for one in world.journal}
    chosen = next((row for row in world.database.rows(STOOD_DOWN) if row[0] in taken), None)
    if chosen is None:
        return False
    gone = {row[0] for row in world.database.rows(ALL_OF_IT, *chosen[1:])}
    world.journal[:] = [one for one in world.journal if one.reference not in gone]
    return True


def plant(database: Database, first_seed: int) -> tuple[str, Played | None]:
    """Plant one in the first day that has room for it; says whether it was found."""
    for seed in range(first_seed, first_seed + SEEDS_TRIED_MAX):
        world = World(seed, database, spoil=suppress_a_stand_down)
        played = world.play()
        if world.spoiled:
            seen = [line for line in played.broken if line.startswith("stood-down:")]
            return (f"found in seed {seed}: {seen[0]}" if seen else f"NOT FOUND in seed {seed}"), played
    return "NOT PLANTED: no day had an alarm that ended", None
