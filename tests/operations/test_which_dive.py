"""Which dive a text is taken to mean: whoever could mean several is asked, and nothing is ended by a guess."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest

from service.domain.dive import Dive
from service.domain.texts import Intent, Kind
from service.operations.choosing import read_again
from service.operations.plan_reading import NamedPhone
from tests.operations.stage import ANNA, BEGIN_AT, BRAM, CLEO, EDDA, STRANGER, Stage, plan, plan_of


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

    words = f"dive {first.reference} is over already, nothing changed. For {second.reference} text OUT 2"
    assert f"{words} {second.reference}." in answer
    assert is_open(stage, second)
    stage.text(sender, f"OUT {second.reference}")
    assert not is_open(stage, second)


def test_an_out_that_a_carrier_kept_ends_no_dive_that_has_hardly_begun(stage: Stage) -> None:
    """Said again and heard meanwhile; nothing says of the first one that it is old."""
    first = stage.dive_in()
    stage.text(ANNA, "OUT 2")
    stage.sleep(20)
    second = stage.dive_in()
    stage.sleep(2)

    [answer] = stage.text(ANNA, "OUT 2")

    words = f"dive {first.reference} is over already, nothing changed. For {second.reference} text OUT 2"
    assert f"{words} {second.reference}." in answer
    assert is_open(stage, second)
    stage.text(ANNA, f"OUT {second.reference}")
    assert not is_open(stage, second)


def by_code(stage: Stage, _: Dive, second: Dive) -> None:
    """With the code no other dive can be meant."""
    stage.sleep(2)
    stage.text(ANNA, f"OUT {second.finish_code}")


def after_half(stage: Stage, _: Dive, __: Dive) -> None:
    """When they may well be out."""
    stage.sleep(26)
    stage.text(ANNA, "OUT 2")


@pytest.mark.parametrize("how", [by_code, after_half])
def test_a_second_dive_ends_as_ever_by_its_code_and_in_the_second_half(
    stage: Stage, how: Callable[[Stage, Dive, Dive], None]
) -> None:
    """Nobody is asked then."""
    first = stage.dive_in()
    stage.text(ANNA, "OUT 2")
    second = stage.dive_in()

    how(stage, first, second)

    assert not is_open(stage, second)


@pytest.mark.parametrize("words", ["NOGO", None], ids=["called off", "long over"])
def test_an_early_out_is_not_asked_about_where_no_other_dive_can_be_meant(stage: Stage, words: str | None) -> None:
    """Nobody said OUT of a plan that was called off, and of what was over hours ago no OUT is under way."""
    if words is None:
        stage.dive_in()
        stage.text(ANNA, "OUT 2")
        stage.sleep(121)
    else:
        stage.file()
        stage.text(ANNA, words)
    second = stage.dive_in()
    stage.sleep(2)

    stage.text(ANNA, "OUT 2")

    assert not is_open(stage, second)


@pytest.mark.parametrize("hours", [None, 0.5], ids=["goes in some time", "about now"])
def test_an_early_out_is_asked_about_where_the_other_group_may_have_gone_in_unheard(
    stage: Stage, hours: float | None
) -> None:
    """Two groups, one phone: the second IN never came, and the OUT of its people must not end the first dive."""
    first = stage.dive_in()
    second = stage.file(plan() if hours is None else later(hours))
    stage.sleep(5)

    [answer] = stage.text(ANNA, "OUT 2")

    assert f"Nothing changed. Text OUT 2 {first.reference} (Lantern Cove, due 10:50) or OUT 2" in answer
    assert f"OUT 2 {second.reference} (Lantern Cove, {'not started' if hours is None else 'planned 10:30'})." in answer
    assert is_open(stage, first)
    assert is_open(stage, second)
    stage.text(ANNA, f"OUT 2 {first.reference}")
    assert not is_open(stage, first)


def no_plan_that_begins_now(stage: Stage) -> None:
    """The next one is in the afternoon."""
    stage.file(later(4.5))
    stage.sleep(5)


def a_plan_of_others(stage: Stage) -> None:
    """They are only its contact."""
    stage.file(plan(lead=NamedPhone("Dov Perl", STRANGER), party=(), contacts=(NamedPhone("Anna Holt", ANNA),)))
    stage.sleep(5)


def half_is_over(stage: Stage) -> None:
    """Now they may well be out."""
    stage.file(plan())
    stage.sleep(26)


@pytest.mark.parametrize("beside", [no_plan_that_begins_now, a_plan_of_others, half_is_over])
def test_an_out_is_not_asked_about_for_a_plan_that_it_can_hardly_mean(
    stage: Stage, beside: Callable[[Stage], None]
) -> None:
    """Cold hands are asked no more than they must be."""
    first = stage.dive_in()
    beside(stage)

    stage.text(ANNA, "OUT 2")

    assert not is_open(stage, first)


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


@pytest.mark.parametrize(("words", "asked"), [("OUT 1", "OUT 1"), ("OUT 1 of 2", "OUT 1 of 2"), ("OUT", "OUT")])
def test_who_is_asked_which_dive_keeps_their_count(stage: Stage, words: str, asked: str) -> None:
    """One is out of one of the dives: to text what the answer says must not end that dive for both."""
    first, second = stage.dive_in(), stage.dive_in()

    [answer] = stage.text(ANNA, words)

    texts = [f"{asked} {dive.reference}" for dive in (first, second)]
    assert all(text in answer for text in texts), answer
    stage.text(ANNA, texts[0])
    assert is_open(stage, first) is (words != "OUT")


def test_an_in_that_could_be_of_two_plans_keeps_its_count(stage: Stage) -> None:
    """Three go in, whichever it is."""
    first, second = stage.file(later(1)), stage.file(later(1.5))

    [answer] = stage.text(ANNA, "IN P3")

    assert f"IN P3 {first.reference} (Lantern Cove, planned 11:00)" in answer
    assert f"IN P3 {second.reference} (Lantern Cove, planned 11:30)" in answer


def test_an_out_about_a_dive_that_one_is_contact_of_closes_no_plan_of_ones_own(stage: Stage) -> None:
    """Asked, with the text that would do it for each."""
    other = stage.dive_in(plan_of(1, [ANNA]))
    own = stage.file(later(1))

    [answer] = stage.text(ANNA, "all out")

    assert f"Text OUT {own.reference} (Lantern Cove, planned 11:00) or SAFE 1 {other.reference} (Lantern" in answer
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


# NOGO


def test_nogo_beside_a_start_that_was_taken_for_granted_is_asked_about(stage: Stage) -> None:
    """Our own reminder asks for it, with the reference; without that it may be the next plan."""
    first = stage.file(later(5 / 60))
    second = stage.file(later(5))
    stage.wait(minutes=31)
    assert stage.dive(first.id).assumed
    assert any(f"All out? Text OUT. Not diving? Text NOGO {first.reference}." in words for words in stage.to(ANNA))

    [question] = stage.text(ANNA, "NOGO")

    assert "which dive?" in question
    assert is_open(stage, first)
    assert is_open(stage, second)
    [answer] = stage.text(ANNA, f"NOGO {first.reference}")
    assert f"dive {first.reference} of Anna Holt called off. Its clock does not run." in answer
    assert [is_open(stage, dive) for dive in (first, second)] == [False, True]


def test_the_question_whether_they_went_in_names_its_dive_for_nogo(stage: Stage) -> None:
    """They may have another plan today."""
    first = stage.file(later(5 / 60))
    stage.wait(minutes=15)
    stage.wait(minutes=5)

    assert any(f"Not diving? Text NOGO {first.reference}. With no answer" in words for words in stage.to(ANNA))


def test_nogo_in_a_dive_calls_off_the_plan_for_later_and_says_which(stage: Stage) -> None:
    """What is in the water cannot be called off, so it is not meant; its clock goes on, and nothing else is claimed."""
    first = stage.dive_in()
    second = stage.file(later(5))

    [answer] = stage.text(ANNA, "NOGO")

    assert f"dive {second.reference} of Anna Holt called off. Its clock does not run." in answer
    assert "No clock" not in answer
    assert stage.dive(first.id).live


# IN that is said twice


@pytest.mark.parametrize("hours", [1, 20])
def test_a_second_in_starts_no_other_plan(stage: Stage, hours: float) -> None:
    """The clock of the next plan would run out while they sleep."""
    first = stage.dive_in()
    second = stage.file(later(hours))
    stage.sleep(1)

    [answer] = stage.text(ANNA, "IN")

    assert "The clock has run since 10:00" in answer
    assert "Due out 10:50." in answer
    assert stage.dive(second.id).started_at is None
    assert stage.dive(first.id).started_at == first.started_at


@pytest.mark.parametrize("words", ["IN {start}", "{start}", "IN {ref}"])
def test_a_start_that_names_its_plan_starts_it_beside_a_running_dive(stage: Stage, words: str) -> None:
    """One phone may run two parties."""
    stage.dive_in()
    second = stage.file(later(1))

    stage.text(ANNA, words.format(start=second.start_code, ref=second.reference))

    assert stage.dive(second.id).started_at is not None


@pytest.mark.parametrize("words", ["IN KELP", "IN KELP 50 P2"])
def test_in_with_a_site_starts_nothing_beside_a_running_dive(stage: Stage, words: str) -> None:
    """A plan that is filed there neither: they are in the water elsewhere."""
    first = stage.dive_in()
    second = stage.file(later(1, site="KELP", exits=()))

    [answer] = stage.text(ANNA, words)

    assert f"NOT STARTED, dive {first.reference} still runs." in answer
    assert stage.dive(second.id).started_at is None


def test_in_beside_a_start_that_was_taken_for_granted_is_asked_about(stage: Stage) -> None:
    """It may be the start of the next plan, or the word that was missing of the one before."""
    first = stage.file(later(0))
    second = stage.file(later(0.5))
    stage.wait(minutes=25)
    assert stage.dive(first.id).assumed

    [question] = stage.text(ANNA, "IN")

    assert f"IN {first.reference}" in question
    assert f"IN {second.reference}" in question
    assert not stage.dive(first.id).start_said


# A reference that is none of theirs


def other_than(dive: Dive) -> str:
    """A reference that it has not."""
    return next(ref for ref in ("2K", "3K") if ref != dive.reference)


@pytest.mark.parametrize("words", ["OUT 2 {ref}", "OUT {ref}", "STATUS {ref}", "LATE 20 {ref}", "NOGO {ref}"])
def test_a_reference_that_is_none_of_theirs_is_answered_with_those_that_are(stage: Stage, words: str) -> None:
    """Nobody in the water is told that no clock runs."""
    dive = stage.dive_in()
    ref = other_than(dive)

    [answer] = stage.text(ANNA, words.format(ref=ref))

    assert f"no dive {ref} of yours; you have {dive.reference}. Nothing changed, any clock goes on." in answer
    assert stage.dive(dive.id) == dive


@pytest.mark.parametrize("words", ["OK {ref}", "SAFE 2 {ref}"])
def test_a_contacts_reference_that_is_none_of_theirs_ends_and_answers_nothing(stage: Stage, words: str) -> None:
    """They hear which are theirs."""
    dive = stage.dive_in()
    stage.wait(minutes=66)
    ref = other_than(dive)

    assert f"no dive {ref} of yours; you have {dive.reference}." in stage.text(CLEO, words.format(ref=ref))[0]
    assert stage.dive(dive.id).alarmed
    assert not stage.dive(dive.id).acknowledged


def test_a_reference_from_a_phone_without_any_dive_is_answered_as_ever(stage: Stage) -> None:
    """There is nothing to name."""
    assert "no open dive for this phone" in stage.text(STRANGER, "OUT 2K")[0]


@pytest.mark.parametrize("words", ["{n}x out", "OUT {n}x", "safe {n}X"])
def test_a_head_count_that_looks_like_a_reference_is_one_where_no_dive_is_called_that(stage: Stage, words: str) -> None:
    """Of two, `2x out` is both."""
    dive = stage.dive_in(plan())
    while dive.reference == "2X":
        stage.text(ANNA, "OUT 2 2X")
        dive = stage.dive_in(plan())

    [answer] = stage.text(ANNA, words.format(n=2))

    assert f"dive {dive.reference} of Anna Holt closed" in answer


def test_a_head_count_of_too_few_that_looks_like_a_reference_ends_nothing(stage: Stage) -> None:
    """Two of three."""
    third = (NamedPhone("Bram Vik", BRAM), NamedPhone("Edda Quist", EDDA))
    dive = stage.dive_in(plan(party=third))
    count = "1x" if dive.reference == "2X" else "2x"

    [answer] = stage.text(ANNA, f"{count} out")

    assert "of 3 out" in answer
    assert stage.dive(dive.id).live


@pytest.mark.parametrize("also", [{"count": 3}, {"code": "1234567"}], ids=["a count", "a code"])
def test_what_says_a_count_or_a_code_besides_has_no_other_head_count(also: dict[str, Any]) -> None:
    """Three came out, say, of a dive that is none of the sender's: it is not two of their own."""
    intent = Intent(kind=Kind.FINISH, ref="2X", **also)

    assert read_again(intent, []) is intent
    assert read_again(Intent(kind=Kind.FINISH, ref="2X"), []) == Intent(kind=Kind.FINISH, count=2)


# A start from ashore


@pytest.mark.parametrize("words", ["IN", "IN P2"])
def test_a_contact_starts_no_dive_without_naming_it(stage: Stage, words: str) -> None:
    """They may go in themselves, by a plan of another club, say; a false start ends as a false alarm."""
    dive = stage.file()

    [answer] = stage.text(CLEO, words)

    naming = f"{'IN P2' if 'P2' in words else 'IN'} {dive.reference}"
    assert f"Nothing changed. Text {naming} (Lantern Cove, Anna Holt, not started)." in answer
    assert stage.dive(dive.id).started_at is None
    stage.text(CLEO, f"IN {dive.reference}")
    assert stage.dive(dive.id).started_at is not None


def test_a_contact_of_a_dive_that_runs_is_told_so_and_not_asked(stage: Stage) -> None:
    """There is nothing to name."""
    stage.dive_in()

    assert "Nothing changed" not in stage.text(CLEO, "IN")[0]
