"""Which dive a text is taken to mean: whoever could mean several is asked, and nothing is ended by a guess."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from service.domain.dive import Dive
from tests.operations.stage import ANNA, BEGIN_AT, BRAM, CLEO, Stage, plan, plan_of


def later(hours: float, **changes: Any) -> Any:
    """Another plan of Anna and Bram, for so many hours after the day begins."""
    return plan(time_in_at=BEGIN_AT + timedelta(hours=hours), **changes)


def is_open(stage: Stage, dive: Dive) -> bool:
    """Whether it still waits for its start or its end."""
    return stage.dive(dive.id).outcome is None


# An end that is said twice


@pytest.mark.parametrize("sender", [ANNA, BRAM], ids=["said again", "by the buddy too"])
@pytest.mark.parametrize("hours", [1.5, 4.5], ids=["within two hours", "in the afternoon"])
def test_a_second_out_closes_no_plan_that_has_not_begun(stage: Stage, sender: str, hours: float) -> None:
    """The clock of the next dive must not be called off by an OUT about the one before."""
    first = stage.dive_in()
    second = stage.file(later(hours))
    stage.text(ANNA, "OUT 2")
    stage.sleep(1)

    [answer] = stage.text(sender, "OUT 2")

    words = f"dive {first.reference} is over already, nothing changed. For {second.reference} text OUT"
    assert f"{words} {second.reference}." in answer
    assert is_open(stage, second)
    stage.text(sender, f"OUT {second.reference}")
    assert not is_open(stage, second)


def test_an_out_of_a_dive_that_its_contact_closed_leaves_the_next_plan_alone(stage: Stage) -> None:
    """They come out, and do not know that it is closed already."""
    stage.dive_in()
    second = stage.file(later(1.5))
    stage.text(CLEO, "SAFE 2")
    stage.sleep(5)

    stage.text(ANNA, "OUT 2")

    assert is_open(stage, second)


def test_a_contacts_second_safe_closes_no_plan_that_has_not_begun(stage: Stage) -> None:
    """As little as a second OUT does."""
    stage.dive_in()
    second = stage.file(later(1.5))
    stage.text(CLEO, "SAFE 2")

    [answer] = stage.text(CLEO, "SAFE 2")

    assert f"For {second.reference} text SAFE 2 {second.reference}." in answer
    assert is_open(stage, second)


def test_an_out_about_a_dive_that_one_is_contact_of_closes_no_plan_of_ones_own(stage: Stage) -> None:
    """Asked, with the text that would do it for each."""
    other = stage.dive_in(plan_of(1, [ANNA]))
    own = stage.file(later(1))

    [answer] = stage.text(ANNA, "all out")

    assert f"which dive? Nothing changed. Text OUT {own.reference} or SAFE 1 {other.reference}." in answer
    assert is_open(stage, own)
    assert is_open(stage, other)
    stage.text(ANNA, f"SAFE 1 {other.reference}")
    assert not is_open(stage, other)


def test_an_out_long_before_the_time_in_closes_no_plan(stage: Stage) -> None:
    """Nobody is out of a dive that nobody can have begun."""
    own = stage.file(later(20))

    [answer] = stage.text(ANNA, "OUT")

    words = f"no dive of yours runs, nothing changed. For plan {own.reference} text OUT {own.reference}."
    assert words in answer
    assert is_open(stage, own)


@pytest.mark.parametrize("hours", [None, 1.5], ids=["started by IN", "planned for soon"])
def test_an_out_from_who_forgot_to_start_still_closes_the_plan(stage: Stage, hours: float | None) -> None:
    """There is nothing else that it could be about."""
    own = stage.file(plan() if hours is None else later(hours))

    [answer] = stage.text(ANNA, "OUT 2")

    assert "The clock was never started" in answer
    assert not is_open(stage, own)


def _lay(stage: Stage, sender: str, body: str, minutes: float) -> list[str]:
    """A text that a gateway had so long ago is brought now; gives what came back."""
    before = len(stage.to(sender))
    inbound_id = stage.receive(sender, body, received_at=stage.clock.at - timedelta(minutes=minutes))
    assert inbound_id is not None
    stage.answer(inbound_id)
    stage.courier.carry()
    return stage.to(sender)[before:]


def test_an_out_that_lay_closes_no_dive_that_was_taken_to_have_begun_since(stage: Stage) -> None:
    """Filed before the first dive was over, assumed to have begun after the OUT was sent: they are in the water."""
    stage.dive_in()
    second = stage.file(later(4))
    stage.sleep(30)
    stage.text(CLEO, "SAFE 2")
    stage.wait(minutes=235)
    assert stage.dive(second.id).assumed

    _lay(stage, ANNA, "OUT 2", 234)

    assert stage.dive(second.id).live
    assert "event:heard" in stage.kinds(second)
    _lay(stage, ANNA, f"OUT 2 {second.reference}", 234)
    assert not stage.dive(second.id).live


def test_an_out_that_lay_closes_no_plan_for_after_a_dive_that_was_over_by_then(stage: Stage) -> None:
    """What counts is when it was said: then the other dive was over for a minute."""
    first = stage.dive_in()
    second = stage.file(later(4))
    stage.sleep(30)
    stage.text(CLEO, "SAFE 2")
    stage.sleep(211)

    [answer] = _lay(stage, ANNA, "OUT 2", 210)

    assert f"dive {first.reference} is over already" in answer
    assert is_open(stage, second)


def test_an_assumed_dive_without_one_before_it_is_ended_by_an_out_that_lay(stage: Stage) -> None:
    """They went in early and said nothing; the OUT is theirs."""
    only = stage.file(later(1))
    stage.wait(minutes=80)
    assert stage.dive(only.id).assumed

    _lay(stage, ANNA, "OUT 2", 30)

    assert not stage.dive(only.id).live
