"""Which dives a text can mean, as a table: of dives in every state, by whoever is something to them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import pytest

from service.domain.dive import Dive
from service.domain.dive import commands as do
from service.domain.people import Role
from service.domain.texts import Intent, Kind
from service.operations.choosing import meant_by, must_be_named
from service.store.dives import Match, PhoneMatch, Unreadable
from tests.domain.builders import HAND_UP, RAISE_BY, at, diver, filed, in_water, overdue

FIRST, THIRD, DIVER, ADMIN = "contact-0", "contact-2", "diver-0", "admin-1"
Made = Callable[[str], Match]


def one(dive: Dive, *keys: str) -> Made:
    """A dive that the sender belongs to as this."""
    return lambda ref: PhoneMatch(replace(dive, id=ref, reference=ref), keys)


def unreadable(phase: str, key: str) -> Made:
    """One that cannot be read."""
    return lambda ref: Unreadable(ref, ref, phase, 2, "Lantern Cove", (key,))


def some_out() -> Dive:
    """A dive of which one of two is out."""
    story = in_water()
    story.does(do.Finish(diver("OUT 1"), count=1), at(5))
    return story.dive


def over() -> Dive:
    """A dive that ended after its alarm."""
    story = overdue(RAISE_BY)
    story.does(do.Finish(diver("OUT 2"), count=2), at(RAISE_BY + 1))
    return story.dive


PLANNED, RUNNING = filed().dive, in_water().dive
ALARM, HANDED_UP = overdue(RAISE_BY).dive, overdue(HAND_UP).dive  # of the first contact, and of everybody
MY_ALARM, NOT_MINE, MY_QUIET = one(ALARM, FIRST), one(ALARM, THIRD), one(RUNNING, FIRST)
ODD_ALARM, ODD_QUIET = unreadable("alert", FIRST), unreadable("in_water", FIRST)


def given(made: Sequence[Made]) -> list[Match]:
    """These dives, called A, B, C."""
    return [make(ref) for make, ref in zip(made, "ABC", strict=False)]


@pytest.mark.parametrize(
    ("kind", "made", "meant"),
    [
        pytest.param(Kind.OK, [MY_QUIET, MY_ALARM], "B", id="OK: the alarm that went to them"),
        pytest.param(
            Kind.OK, [MY_QUIET, NOT_MINE, one(PLANNED, FIRST)], "AB", id="OK: an alarm of others, or what runs"
        ),
        pytest.param(Kind.OK, [MY_QUIET, one(over(), FIRST)], "A", id="OK: not an alarm that is over"),
        pytest.param(Kind.OK, [MY_QUIET, one(ALARM, ADMIN, FIRST)], "B", id="OK: an admin who is a contact too"),
        pytest.param(Kind.OK, [MY_QUIET, ODD_ALARM], "AB", id="OK: one that cannot be read may have gone to them"),
        pytest.param(Kind.OK, [MY_ALARM, ODD_ALARM, MY_QUIET], "AB", id="OK: two that went to them, one past reading"),
        pytest.param(
            Kind.OK, [one(ALARM, ADMIN), MY_QUIET], "B", id="OK: one of theirs before one that they never heard of"
        ),
        pytest.param(Kind.OK, [one(ALARM, ADMIN), MY_ALARM], "B", id="OK: not one that an admin has not heard of"),
        pytest.param(Kind.OK, [one(HANDED_UP, ADMIN), MY_ALARM], "AB", id="OK: one that was handed up to them"),
        pytest.param(Kind.OK, [one(ALARM, ADMIN), ODD_ALARM], "AB", id="OK: of none is it sure that they know it"),
        pytest.param(Kind.OK, [one(PLANNED, FIRST)], "A", id="OK: a plan, where no dive runs"),
        pytest.param(Kind.SAFE, [MY_QUIET, MY_ALARM], "B", id="SAFE: the alarm, where the other is quiet"),
        pytest.param(Kind.SAFE, [one(some_out(), FIRST), MY_ALARM], "AB", id="SAFE: the other is partly out"),
        pytest.param(Kind.SAFE, [one(RUNNING, DIVER), MY_ALARM], "AB", id="SAFE: the other is their own"),
        pytest.param(Kind.SAFE, [ODD_QUIET, MY_ALARM], "AB", id="SAFE: the other cannot be read"),
        pytest.param(Kind.SAFE, [MY_ALARM, MY_ALARM], "AB", id="SAFE: two alarms"),
        pytest.param(Kind.SAFE, [MY_QUIET, NOT_MINE, MY_ALARM], "ABC", id="SAFE: another alarm that went to others"),
        pytest.param(Kind.SAFE, [MY_QUIET, ODD_ALARM], "AB", id="SAFE: an alarm that cannot be read"),
        pytest.param(Kind.SAFE, [MY_QUIET, NOT_MINE], "AB", id="SAFE: an alarm that went to others"),
        pytest.param(Kind.SAFE, [one(PLANNED, FIRST), unreadable("closed", FIRST)], "A", id="SAFE: what is open"),
    ],
)
def test_what_is_said_from_ashore(kind: Kind, made: Sequence[Made], meant: str) -> None:
    """An alarm is answered or ended where it is sure which; else they are asked, never guessed for."""
    found = meant_by(Intent(kind=kind), given(made), Role.CONTACT)

    assert "".join(match.reference for match in found) == meant


@pytest.mark.parametrize(
    ("kind", "made", "meant"),
    [
        pytest.param(Kind.START, [one(PLANNED, DIVER), one(RUNNING, DIVER)], "B", id="IN: said twice"),
        pytest.param(
            Kind.START, [one(PLANNED, DIVER), unreadable("in_water", DIVER)], "A", id="IN: one past reading bars none"
        ),
        pytest.param(
            Kind.START, [one(PLANNED, DIVER), one(RUNNING, DIVER), unreadable("in_water", DIVER)], "BC", id="IN: of two"
        ),
        pytest.param(Kind.CALL_OFF, [one(PLANNED, DIVER), one(RUNNING, DIVER)], "A", id="NOGO: the plan"),
    ],
)
def test_what_a_start_and_its_end_mean(kind: Kind, made: Sequence[Made], meant: str) -> None:
    """A second IN starts no other plan; what cannot be read keeps nobody from starting."""
    found = meant_by(Intent(kind=kind), given(made), Role.DIVER)

    assert "".join(match.reference for match in found) == meant


def test_of_two_with_one_reference_an_admin_means_the_one_that_they_heard_of() -> None:
    """References are told apart among the dives of a person, and an admin has part in all of the club's."""
    matches = [make("A") for make in (one(over(), ADMIN), one(ALARM, ADMIN), one(HANDED_UP, ADMIN))]

    assert meant_by(Intent(kind=Kind.OK, ref="A"), [MY_ALARM("B"), *matches], Role.CONTACT) == matches[2:]
    assert meant_by(Intent(kind=Kind.OK, ref="A"), matches[:2], Role.CONTACT) == matches[1:2]
    assert meant_by(Intent(kind=Kind.OK, ref="A"), matches[:1], Role.CONTACT) == matches[:1]


@pytest.mark.parametrize(
    ("intent", "made", "named"),
    [
        pytest.param(Intent(kind=Kind.OK), [one(ALARM, ADMIN)], True, id="an alarm that an admin has not heard of"),
        pytest.param(Intent(kind=Kind.SAFE), [one(RUNNING, ADMIN)], True, id="its end"),
        pytest.param(Intent(kind=Kind.OK, ref="A"), [one(ALARM, ADMIN)], False, id="by its reference"),
        pytest.param(Intent(kind=Kind.OK), [one(HANDED_UP, ADMIN)], False, id="one that was handed up to them"),
        pytest.param(Intent(kind=Kind.OK), [NOT_MINE], False, id="a contact of it"),
        pytest.param(Intent(kind=Kind.OK), [one(ALARM, ADMIN, THIRD)], False, id="an admin who is a contact of it"),
        pytest.param(Intent(kind=Kind.OK), [MY_ALARM, one(ALARM, ADMIN)], True, id="one of two"),
        pytest.param(Intent(kind=Kind.WHERE), [one(ALARM, ADMIN)], False, id="a question"),
        pytest.param(Intent(kind=Kind.START), [one(PLANNED, FIRST)], True, id="a start from ashore"),
        pytest.param(Intent(kind=Kind.START), [one(PLANNED, FIRST), one(PLANNED, DIVER)], False, id="of their own"),
        pytest.param(Intent(kind=Kind.START), [MY_QUIET], False, id="a start of what runs"),
    ],
)
def test_what_has_to_say_which_dive_it_is_about(intent: Intent, made: Sequence[Made], *, named: bool) -> None:
    """Though it could mean only one: whoever never heard of that may mean another."""
    assert must_be_named(intent, given(made)) is named
