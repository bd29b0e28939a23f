"""What waits of an exercise goes behind every real message of its kind, by the statement that couriers claim with."""

from __future__ import annotations

from sqlalchemy.orm import Session

from service.domain.dive.commands import RaiseNow, Start
from service.domain.people import Actor, Role, Via
from service.domain.wording import MessageKind
from service.operations.filing import PlanFiled, file_plan
from service.operations.recording import act
from service.store import leases
from tests.operations.stage import CLUB, Stage, plan_of

ANNA = Actor(Role.DIVER, "Diver 1", Via.PAGE, key="diver-0")


def alarmed(stage: Stage, number: int, *, drill: bool) -> str:
    """A dive whose alarm is up and of which nothing has gone out; its id."""
    filed = file_plan(stage.service, CLUB, plan_of(number), ANNA, drill=drill)
    assert isinstance(filed, PlanFiled)
    act(stage.service, filed.dive.id, Start(ANNA))
    act(stage.service, filed.dive.id, RaiseNow(ANNA))
    return filed.dive.id


def in_turn(stage: Stage) -> list[tuple[int, str]]:
    """What a courier would claim, in its order: priority and dive."""

    def work(session: Session) -> list[tuple[int, str]]:
        found = leases.waiting(session, stage.clock.at, 100)
        return [(one.priority, one.dive_id or "") for one in found]

    return stage.service.write(work)


def test_a_message_of_a_drill_goes_behind_every_real_one_of_its_kind(unchecked: Stage) -> None:
    """Also when it has waited longer, and is to a first contact where the real one is to a second."""
    stage = unchecked
    drill = alarmed(stage, 1, drill=True)
    stage.sleep(minutes=3)
    real = alarmed(stage, 2, drill=False)
    stage.sleep(minutes=1)

    order = in_turn(stage)

    kinds = {priority for priority, _ in order}
    assert {MessageKind.ALERT, MessageKind.REPLY} & kinds
    for kind in kinds:
        of_kind = [dive_id for priority, dive_id in order if priority == kind]
        real_last = max((place for place, dive_id in enumerate(of_kind) if dive_id == real), default=-1)
        drill_first = min((place for place, dive_id in enumerate(of_kind) if dive_id == drill), default=len(of_kind))
        assert real_last < drill_first, (kind, of_kind)
