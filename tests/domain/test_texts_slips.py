"""A slip of a cold thumb does nothing, and its sender is told which word to send: an end is never guessed."""

from __future__ import annotations

import string

import pytest

from service.domain.texts import Intent, Kind, read

SLIPS = {
    Kind.FINISH: "Outt;0ut;Ou;oit;OTU;uot;ouut;oout;oyt;iut;ojt;lut;ouy;out t;o ut;O U T;outt 2;oit 731905;"
    "we are outt;all ouut;both ouy;I'm oyt;0ut 7K",
    Kind.START: "Imn;1n;iin;ln;inm;jn;ib;i n;1n 482139;imn P3;inm lantern 50 p2",
    Kind.LATE: "lste 20;lare 20;latr 20;latee 20;lste until 14:30",
    Kind.SAFE: "safw 2;ssfe 2;safee all 3",
    Kind.CALL_OFF: "nogi;nog;nofo",
    Kind.CALLED: "calked;callled;caled;calles",
    Kind.STATUS: "statud;staus;ststus",
}


def listed() -> list[tuple[str, Kind]]:
    """Each slip with what it is one of."""
    return [(text, kind) for kind, texts in SLIPS.items() for text in texts.split(";")]


@pytest.mark.parametrize(("text", "kind"), listed())
def test_a_slip_is_not_understood_and_its_word_is_known(text: str, kind: Kind) -> None:
    """One slip in a text that would be a whole form."""
    assert read(text) == Intent(kind=Kind.UNCLEAR, near=kind)


OTHERS = """
put; our; but; cut; our 2; win; inn; on; un; um; ni; hi; am in; a; o; i; t; put it there; ou?; 0ut?; oiy; oiit; ot late
let us be; lake; sage 2; balled; caller; what about lunch; a nut in the boat; ou est la voiture; un momento
"""


@pytest.mark.parametrize("text", [text.strip() for text in OTHERS.replace("\n", ";").split(";") if text.strip()])
def test_what_is_a_word_of_its_own_or_two_slips_away_is_nothing_of_ours(text: str) -> None:
    """A hint that is wrong would make somebody send an end that they never meant."""
    assert read(text).near not in (Kind.FINISH, Kind.START)


@pytest.mark.parametrize("text", ["s0s", "S0S.", "sps", "SOSD", "aos", "s0s near the point"])
def test_a_slip_in_sos_raises(text: str) -> None:
    """What is doubtful raises: a false alarm costs a walk to the beach."""
    assert read(text).kind is Kind.WORRY


@pytest.mark.parametrize("form", ["out", "all out", "we are out", "both out"])
def test_whichever_key_is_missed_no_slip_of_an_end_is_one(form: str) -> None:
    """One letter too many, too few, or another one: only the agreed forms end a dive."""
    letters = string.ascii_lowercase
    spoilt = {
        f"{form[:at]}{more}{form[rest:]}" for at in range(3, 6) for rest in (at, at + 1) for more in ("", *letters)
    }
    spoilt |= {f"{letter}{form}" for letter in letters} | {form[1:], f"{form}t"}

    ends = {text for text in spoilt if read(text).kind is Kind.FINISH}

    assert {" ".join(text.split()) for text in ends} <= {form, "out", "we out", "all out"}
