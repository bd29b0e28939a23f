"""The checker's questions, asked of a run of real processes, where many things happen at one instant."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.store.tables import AttemptRow, MessageRow
from tests.checker.questions import violations
from tests.faults.journals import TakenText
from tests.faults.rig import Rig

ORDER = "priority: "  # the question of who goes before whom
URGENT_TO = 2
AT_THE_SAME_TIME = timedelta(seconds=2)
PROCESSES_APART = timedelta(seconds=5)  # that go on from marks of one another, once the machine's clock was moved


def broken_promises(rig: Rig, taken: Sequence[TakenText]) -> list[str]:
    """All that does not hold, a line each.

    Who goes before whom, and that nothing is begun after a close, is asked with two seconds of patience: what somebody
    decides is stamped as they begin to, seen by couriers after its commit, and one that claimed between is not wrong.
    """
    now, moved = rig.clock.now(), rig.clock.moved
    found = violations(
        rig.engine,
        taken,
        now,
        commits_within=AT_THE_SAME_TIME + (PROCESSES_APART if moved else timedelta(0)),
        behind_gateways=_behind_gateways(rig, taken) if moved else timedelta(0),
    )
    order = () if moved else _behind_something_calm(rig)
    return [*(words for words in found if not words.startswith(ORDER)), *order]


def _behind_gateways(rig: Rig, taken: Sequence[TakenText]) -> timedelta:
    """How long after an attempt had ended a gateway ever took what it accepted, by a clock that was moved.

    Processes go on from the last mark of those before them: by as much as nothing ran they are behind.
    """
    first: dict[tuple[str, str], datetime] = {}
    for one in taken:
        first.setdefault((one.reference, one.gateway), one.at)
    with Session(rig.engine) as session:
        accepted = session.execute(select(AttemptRow).where(AttemptRow.outcome == "accepted")).scalars().all()
    behind = (first.get((one.message_id, one.gateway), one.ended_at) - one.ended_at for one in accepted if one.ended_at)
    return max(behind, default=timedelta(0))


def _behind_something_calm(rig: Rig) -> Iterator[str]:
    with Session(rig.engine) as session:
        messages = {row.id: row for row in session.execute(select(MessageRow)).scalars()}
        attempts = session.execute(select(AttemptRow).order_by(AttemptRow.id)).scalars().all()
    first: dict[str, AttemptRow] = {}
    for attempt in attempts:
        first.setdefault(attempt.message_id, attempt)
    urgent = [(messages[key], one) for key, one in first.items() if messages[key].priority < URGENT_TO]
    calm = [one for key, one in first.items() if messages[key].priority > URGENT_TO]
    for message, began in urgent:
        seen_at = message.queued_at + AT_THE_SAME_TIME
        if any(seen_at < other.started_at < began.started_at for other in calm):
            yield f"{ORDER}{message.kind} {message.step} of dive {message.dive_id} waited behind something calm"
