"""How far a contact can be relied upon: which of several things known of them is the most telling."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.encoding import segments
from service.domain.language import render
from service.domain.plan import Check, Level
from service.domain.standing import (
    PROVEN_FOR,
    WORDS,
    ContactKnown,
    Reach,
    Standing,
    contact_checks,
    standing_of,
    unproven,
)
from tests.domain.builders import NOW

LATELY, LONG_AGO, MOMENT = NOW - timedelta(days=3), NOW - timedelta(days=400), timedelta(seconds=1)
EDGE = NOW - PROVEN_FOR

STANDINGS = {
    "nothing is known": (Reach(), Standing.NEVER_ANSWERED),
    "asked lately": (Reach(asked_at=LATELY), Standing.NEVER_ANSWERED),
    "asked so long ago, and nothing since": (Reach(asked_at=EDGE - MOMENT), Standing.NOT_REACHED_LATELY),
    "asked just not so long ago": (Reach(asked_at=EDGE), Standing.NEVER_ANSWERED),
    "reached, never a word": (Reach(asked_at=LONG_AGO, reached_at=LATELY), Standing.NEVER_ANSWERED),
    "answered an alarm, never said AGREE": (Reach(reached_at=LATELY, answered_at=LATELY), Standing.ANSWERED),
    "agreed": (Reach(agreed_at=LATELY, reached_at=LATELY, answered_at=LATELY), Standing.AGREED),
    "agreed at the edge": (Reach(agreed_at=EDGE), Standing.AGREED),
    "agreed too long ago": (Reach(agreed_at=EDGE - MOMENT), Standing.NOT_REACHED_LATELY),
    "agreed long ago, reached lately": (Reach(agreed_at=LONG_AGO, reached_at=LATELY), Standing.AGREED),
    "declined": (Reach(declined_at=LATELY, answered_at=LATELY), Standing.DECLINED),
    "agreed, then declined": (Reach(agreed_at=LONG_AGO, declined_at=LATELY), Standing.DECLINED),
    "declined, then agreed": (Reach(agreed_at=LATELY, declined_at=LONG_AGO), Standing.AGREED),
    "both at the same moment": (Reach(agreed_at=LATELY, declined_at=LATELY), Standing.DECLINED),
    "declined long ago": (Reach(declined_at=LONG_AGO), Standing.DECLINED),
    "agreed, then opted out": (Reach(agreed_at=LATELY, opted_out=True), Standing.OPTED_OUT),
    "declined and opted out": (Reach(declined_at=LATELY, opted_out=True), Standing.OPTED_OUT),
}


@pytest.mark.parametrize(("reach", "standing"), STANDINGS.values(), ids=STANDINGS)
def test_the_most_telling_is_what_is_said(reach: Reach, standing: Standing) -> None:
    """What keeps texts from them, then what they said, then whether it is still true."""
    assert standing_of(reach, NOW, takes_texts=True) is standing


@pytest.mark.parametrize(
    ("reach", "standing"),
    [
        (Reach(), Standing.LANDLINE),
        (Reach(reached_at=LATELY, answered_at=LATELY), Standing.LANDLINE),
        (Reach(reached_at=LONG_AGO), Standing.LANDLINE),
        (Reach(opted_out=True), Standing.OPTED_OUT),
        (Reach(declined_at=LATELY), Standing.DECLINED),
        (Reach(agreed_at=LATELY), Standing.AGREED),
    ],
)
def test_a_landline_was_never_asked(reach: Reach, standing: Standing) -> None:
    """Unless it said something all the same."""
    assert standing_of(reach, NOW, takes_texts=False) is standing


def test_every_standing_has_its_words() -> None:
    """None is shown by its name in the code."""
    assert set(WORDS) == set(Standing)


PROVEN = {
    "nothing": (Reach(), False),
    "asked": (Reach(asked_at=LATELY), False),
    "delivered at the edge": (Reach(reached_at=EDGE), True),
    "delivered before it": (Reach(reached_at=EDGE - MOMENT), False),
    "answered": (Reach(answered_at=LATELY), True),
    "agreed": (Reach(agreed_at=LATELY), True),
    "agreed and opted out": (Reach(agreed_at=LATELY, opted_out=True), False),
    "agreed and then declined": (Reach(agreed_at=LONG_AGO, declined_at=LATELY, reached_at=LATELY), False),
}


@pytest.mark.parametrize(("reach", "proven"), PROVEN.values(), ids=PROVEN)
def test_a_proof_is_recent_and_nothing_speaks_against_it(reach: Reach, *, proven: bool) -> None:
    """A delivery is a proof, being asked is none."""
    assert reach.proven(NOW) is proven


def known(*reaches: Reach) -> list[ContactKnown]:
    """Contacts of a plan of whom so much is known."""
    names = ("Cleo Marsh", "Dov Lind", "Edda Rowe")
    return [
        ContactKnown(name, reach, standing_of(reach, NOW, takes_texts=True))
        for name, reach in zip(names, reaches, strict=False)
    ]


AGREED, DECLINED, STOPPED = Reach(agreed_at=LATELY), Reach(declined_at=LATELY), Reach(agreed_at=LATELY, opted_out=True)


def test_one_proven_contact_is_enough() -> None:
    """Nothing is said about the others."""
    assert contact_checks(known(Reach(), AGREED), NOW) == ()
    assert contact_checks([], NOW) == ()


@pytest.mark.parametrize(
    ("reach", "words"),
    [
        (Reach(asked_at=LATELY), "None of your contacts has ever answered us: phone one of them before you go in."),
        (
            Reach(agreed_at=LONG_AGO),
            "None of your contacts was reached in the last 180 days: phone one of them before you go in.",
        ),
    ],
)
def test_a_plan_whose_contacts_are_all_unproven_is_advised_against(reach: Reach, words: str) -> None:
    """With what to do while the divers are dry; it can be filed."""
    assert contact_checks(known(Reach(), reach), NOW) == (Check(Level.ADVISE, "contacts", words),)


def test_the_advice_is_about_those_who_are_left() -> None:
    """Who declined a moment ago was reached, and is no proof for the others."""
    checks = contact_checks(known(DECLINED, Reach(asked_at=LATELY)), NOW)

    assert checks[-1].words == "Nothing proves that we reach your other contacts: phone one of them before you go in."


def test_that_advice_fits_one_text_with_the_longest_club() -> None:
    """It is the answer to a plan by text too."""
    for contacts in (known(Reach()), known(Reach(agreed_at=LONG_AGO)), known(DECLINED, Reach())):
        words = unproven(contacts, NOW)
        assert words is not None
        assert len(segments(f"{'N' * 60}: {render(words)}").parts) == 1


@pytest.mark.parametrize(
    ("first", "words"),
    [
        (DECLINED, "Nothing would reach Cleo Marsh (declined); in the water with you: Dov Lind."),
        (AGREED, None),
    ],
)
def test_who_dives_too_is_nobody_ashore(first: Reach, words: str | None) -> None:
    """Beside one whom nothing reaches: then nobody is left to raise the alarm."""
    one, two = known(first, AGREED)

    found = contact_checks([one, replace(two, dives=True)], NOW)

    start = "Name somebody else ashore who will raise the alarm. "
    refused = [] if words is None else [(Level.REFUSE, "contacts", f"{start}{words}")]
    assert [(check.level, check.field, check.words) for check in found] == refused


def test_a_diver_who_can_be_reached_proves_nothing_of_the_others() -> None:
    """It is those ashore of whom it must be known."""
    one, two = known(Reach(), AGREED)

    [advice] = contact_checks([one, replace(two, dives=True)], NOW)

    assert advice.words.startswith("None of your contacts has ever answered us")


def test_who_declined_or_opted_out_is_named_with_what_to_do() -> None:
    """One of each, beside one who agreed."""
    checks = contact_checks(known(DECLINED, STOPPED, AGREED), NOW)

    assert [(check.level, check.words.split()[0]) for check in checks] == [
        (Level.ADVISE, "Cleo"),
        (Level.ADVISE, "Dov"),
    ]
    assert "declined to be a contact" in checks[0].words
    assert "text START" in checks[1].words


def test_who_is_lost_is_named_also_where_the_others_are_unproven() -> None:
    """Two things to do: name somebody else for the one, and phone one of the others."""
    words = [check.words for check in contact_checks(known(STOPPED, Reach()), NOW)]

    assert [one[:20] for one in words] == ["Cleo Marsh opted out", "Nothing proves that "]


def test_a_plan_that_nobody_would_receive_is_refused() -> None:
    """It says who, why, and what to do."""
    [check] = contact_checks(known(DECLINED, STOPPED), NOW)

    assert (check.level, check.field) == (Level.REFUSE, "contacts")
    assert check.words == (
        "Name somebody else ashore who will raise the alarm. Nothing would reach Cleo Marsh (declined), Dov Lind (opted"
        " out)."
    )


moments = st.none() | st.sampled_from([LATELY, LONG_AGO, NOW, EDGE, EDGE - MOMENT])
reaches = st.builds(Reach, moments, moments, moments, moments, moments, st.booleans())


@given(known_of=st.lists(reaches, max_size=3), takes_texts=st.booleans())
def test_the_checks_are_total_and_refuse_only_where_nobody_is_left(known_of: list[Reach], *, takes_texts: bool) -> None:
    """Whatever is known of up to three people."""
    contacts = [ContactKnown("A", one, standing_of(one, NOW, takes_texts=takes_texts)) for one in known_of]
    refused = [check for check in contact_checks(contacts, NOW) if check.level is Level.REFUSE]

    lost = [one.opted_out or one.declined for one in known_of]
    assert bool(refused) == (bool(lost) and all(lost))
