"""The forecast of an alarm storm: its numbers, and that they are those of the ladder and the wording."""

from __future__ import annotations

import pytest

from service.domain.wording import MessageKind
from service.operations.forecasting import forecast, load_of


def test_one_dive_falls_due_as_the_ladder_says() -> None:
    """First contact, the second after five minutes, both in distress after fifteen, then every ten; the hand-up."""
    load = load_of(2)

    assert [(due.after_s / 60, due.to) for due in load[:4]] == [
        (0, "contact-0"),
        (5, "contact-1"),
        (15, "contact-0"),
        (15, "contact-1"),
    ]
    assert [due.after_s / 60 for due in load if due.to == "admins"] == [45]
    assert {due.segments for due in load} == {3}


def test_who_has_not_heard_goes_before_who_hears_it_again() -> None:
    """The first word of distress to the last contact is before the second word to the first."""
    distress = [due for due in load_of(3) if due.priority == MessageKind.DISTRESS and due.to != "admins"]

    assert [due.rank for due in distress] == list(range(len(distress)))


@pytest.mark.parametrize(
    ("dives", "rate", "senders", "first_s"),
    [(1, 1.0, 1, 0), (200, 1.0, 1, 597), (200, 10.0, 1, 59.7), (200, 1.0, 2, 297), (200, 0.5, 1, 2_094)],
)
def test_the_first_contact_of_the_last_dive_waits_for_all_before_it(
    dives: int, rate: float, senders: int, first_s: float
) -> None:
    """Three segments each, by as many senders as there are; where distress comes due meanwhile, it is that."""
    assert forecast(dives, 2, rate, senders).first_contact_s == pytest.approx(first_s)


def test_a_quick_sender_is_never_behind_the_ladder() -> None:
    """What falls due is sent as it falls due, by however many senders, and never before."""
    for senders in (1, 2, 3):
        found = forecast(15, 3, 100.0, senders)

        assert found.distress_due_s == 900
        assert 900 < found.distress_s <= 902
        assert not found.busy


def test_a_slow_sender_does_not_keep_up() -> None:
    """At one segment a second 200 dives fall behind with the repeats; nobody has more than one text waiting."""
    found = forecast(200, 2, 1.0)

    assert found.busy
    assert found.distress_s == 900 + 400 * 3 - 3
    assert found.last_s == found.texts * 3 - 3
    assert found.last_s <= 3_300 + (400 + 200) * 3


@pytest.mark.parametrize("wrong", [(0, 1, 1.0, 1), (1, 0, 1.0, 1), (1, 7, 1.0, 1), (1, 1, 0.0, 1), (1, 1, 1.0, 0)])
def test_what_makes_no_sense_is_refused(wrong: tuple[int, int, float, int]) -> None:
    """Nothing is forecast for nobody."""
    with pytest.raises(ValueError, match=r"must be above nothing|at most 6 contacts"):
        forecast(*wrong)
