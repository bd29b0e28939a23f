"""Start and finish codes, and the references of dives."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.codes import (
    REFERENCE_SPACE,
    check_digit,
    code_length,
    is_valid,
    make_code,
    make_reference,
    payload_space,
    read_reference,
)

LENGTHS = st.integers(6, 9)


@st.composite
def codes(draw: st.DrawFn) -> str:
    """Any code that could be made."""
    length = draw(LENGTHS)
    return make_code(draw(st.integers(0, payload_space(length) - 1)), length)


@given(codes())
def test_a_made_code_is_valid_and_never_begins_with_zero(code: str) -> None:
    """Nobody can drop a leading zero that is not there."""
    assert is_valid(code)
    assert code[0] != "0"


@pytest.mark.parametrize("length", [6, 7, 8, 9])
def test_codes_fill_their_length_from_end_to_end(length: int) -> None:
    """The first and the last code of a length have that length and differ."""
    first, last = make_code(0, length), make_code(payload_space(length) - 1, length)

    assert (len(first), len(last)) == (length, length)
    assert (first[0], last[0]) == ("1", "9")


@given(codes(), st.data())
def test_one_wrong_digit_never_makes_another_code(code: str, data: st.DataObject) -> None:
    """A mistyped digit cannot hit another dive."""
    place = data.draw(st.integers(0, len(code) - 1))
    digit = data.draw(st.sampled_from([digit for digit in "0123456789" if digit != code[place]]))

    assert not is_valid(code[:place] + digit + code[place + 1 :])


@given(codes(), st.data())
def test_two_swapped_neighbours_never_make_another_code(code: str, data: st.DataObject) -> None:
    """Two neighbours typed in the wrong order cannot hit another dive."""
    places = [place for place in range(len(code) - 1) if code[place] != code[place + 1]]
    place = data.draw(st.sampled_from(places)) if places else None

    if place is not None:
        assert not is_valid(code[:place] + code[place + 1] + code[place] + code[place + 2 :])


@pytest.mark.parametrize("text", ["", "57240", "5724", "12345a", "１２３４５６", "²²²²²²", "482 139", "-48213"])
def test_what_is_not_six_digits_or_more_is_no_code(text: str) -> None:
    """Short numbers, letters, blanks and digits of other scripts are refused, not misread."""
    assert not is_valid(text)


@pytest.mark.parametrize("payload", ["", "12a", "１２", "1 2"])
def test_only_decimal_digits_have_a_check_digit(payload: str) -> None:
    """Anything but 0 to 9 is an error."""
    with pytest.raises(ValueError, match="digits 0 to 9"):
        check_digit(payload)


@pytest.mark.parametrize(("number", "length"), [(-1, 6), (90_000, 6), (900_000, 7)])
def test_a_number_outside_the_space_makes_no_code(number: int, length: int) -> None:
    """The space of a length ends where its digits do."""
    with pytest.raises(ValueError, match="are numbered 0 to"):
        make_code(number, length)


@pytest.mark.parametrize("length", [5, 10])
def test_a_code_has_six_to_nine_digits(length: int) -> None:
    """Shorter ones are guessed and longer ones mistyped."""
    with pytest.raises(ValueError, match="6 to 9 digits"):
        payload_space(length)


@pytest.mark.parametrize(
    ("live", "length"),
    [(0, 6), (1, 6), (900, 6), (901, 7), (9_000, 7), (9_001, 8), (90_000, 8), (90_001, 9), (900_000, 9)],
)
def test_codes_grow_before_one_number_in_a_thousand_is_live(live: int, length: int) -> None:
    """Numbers of a length that begin with 1 to 9: at most a thousandth of them are live."""
    assert code_length(live) == length


@pytest.mark.parametrize("live", [-1, 900_001])
def test_an_impossible_number_of_live_codes_is_refused(live: int) -> None:
    """Less than none, or more than nine digits can keep apart."""
    with pytest.raises(ValueError, match="live codes"):
        code_length(live)


def test_every_reference_is_different_and_reads_back() -> None:
    """A reference is a digit from 2 and a letter, and is read however it is typed."""
    made = [make_reference(number) for number in range(REFERENCE_SPACE)]

    assert len(set(made)) == REFERENCE_SPACE
    assert all(reference[0] in "23456789" and reference[1].isalpha() for reference in made)
    assert all(read_reference(f" #{reference.lower()}.") == reference for reference in made)


def test_no_reference_has_a_letter_that_means_something_else() -> None:
    """Look-alikes, and the letters of hours, minutes and persons, are left out."""
    assert not {make_reference(number)[1] for number in range(REFERENCE_SPACE)} & set("ILOQSUZBGDHMP")


@pytest.mark.parametrize("text", ["", "7", "K7", "1K", "7B", "7KK", "77", "٧K", "20"])
def test_what_is_no_reference_reads_as_none(text: str) -> None:
    """Near misses are not corrected."""
    assert read_reference(text) is None


@pytest.mark.parametrize("number", [-1, REFERENCE_SPACE])
def test_a_number_outside_the_references_is_refused(number: int) -> None:
    """There are only so many references."""
    with pytest.raises(ValueError, match="references are numbered"):
        make_reference(number)
