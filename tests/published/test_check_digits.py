"""Damm check digits against published values.

Sources:
[1] H. Michael Damm, "Total anti-symmetrische Quasigruppen", dissertation, Marburg 2004, p. 111, as printed in
    encyclopaedias and equal to the table of python-stdnum 2.2
[2] python-stdnum 2.2, commit 006192e, tests of its damm module
[3] exhaustive enumeration of all payloads of four digits
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from service.domain.codes import check_digit

TABLE = [
    *("0317598642", "7092154863", "4206871359", "1750983426", "6123045978"),
    *("3674209581", "5869720134", "8945362017", "9438617205", "2581436790"),
]
CODES = [f"{payload:04}{check_digit(f'{payload:04}')}" for payload in range(10_000)]


@pytest.mark.parametrize("row", range(10))
def test_the_operation_table_is_the_published_one(row: int) -> None:
    """[1] The first digit leads to the row, the second reads it off."""
    first = TABLE[0].index(str(row))

    assert "".join(check_digit(f"{first}{second}") for second in range(10)) == TABLE[row]


@pytest.mark.parametrize(
    ("payload", "expected"),
    [
        pytest.param("572", "4", id="[1] 572"),
        pytest.param("43881234567", "9", id="[2] 43881234567"),
        pytest.param("123456", "6", id="derived from [1]: 123456"),
    ],
)
def test_the_check_digit_is_the_published_one(payload: str, expected: str) -> None:
    """The digit that is appended."""
    assert check_digit(payload) == expected


def test_the_worked_example_comes_out_step_by_step() -> None:
    """[1] 572: interim digits 9, 7, 4; the whole number 5724 ends at 0."""
    assert [check_digit(number) for number in ("5", "57", "572", "5724")] == ["9", "7", "4", "0"]


def single_errors(code: str) -> Iterator[str]:
    """One digit wrong."""
    for place, right in enumerate(code):
        yield from (code[:place] + wrong + code[place + 1 :] for wrong in "0123456789" if wrong != right)


def swaps(code: str, distance: int) -> Iterator[str]:
    """Two different digits at this distance swapped."""
    for place in range(len(code) - distance):
        digits = list(code)
        digits[place], digits[place + distance] = digits[place + distance], digits[place]
        if digits != list(code):
            yield "".join(digits)


def twin_errors(code: str) -> Iterator[str]:
    """A doubled digit heard as another doubled digit."""
    for place in range(len(code) - 1):
        if code[place] == code[place + 1]:
            others = (digit for digit in "0123456789" if digit != code[place])
            yield from (code[:place] + 2 * other + code[place + 2 :] for other in others)


def phonetic_errors(code: str) -> Iterator[str]:
    """Thirteen heard as thirty: 1a as a0."""
    for place in range(len(code) - 1):
        if code[place] == "1" and code[place + 1] in "23456789":
            yield f"{code[:place]}{code[place + 1]}0{code[place + 2 :]}"


@pytest.mark.parametrize(
    ("kind", "undetected", "tried"),
    [
        pytest.param("single", 0, 450_000, id="[3] single"),
        pytest.param("adjacent", 0, 36_000, id="[3] adjacent"),
        pytest.param("jump", 2_498, 27_000, id="[3] jump"),
        pytest.param("phonetic", 120, 3_200, id="[3] phonetic"),
        pytest.param("twin", 3_520, 36_000, id="[3] twin"),
    ],
)
def test_as_many_errors_go_unseen_as_were_counted(kind: str, undetected: int, tried: int) -> None:
    """[3] Of all errors of a kind in all codes of four digits and their check digit."""
    errors_of = {
        "single": single_errors,
        "adjacent": lambda code: swaps(code, 1),
        "jump": lambda code: swaps(code, 2),
        "phonetic": phonetic_errors,
        "twin": twin_errors,
    }[kind]

    errors = [error for code in CODES for error in errors_of(code)]

    assert (sum(check_digit(error) == "0" for error in errors), len(errors)) == (undetected, tried)
