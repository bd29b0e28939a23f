"""Start and finish codes with a check digit, and the two-character reference of a dive.

Codes are decimal so that they can be typed on any phone with cold hands. The check digit is Damm's
(H. Michael Damm, "Total anti-symmetrische Quasigruppen", dissertation, Marburg 2004, table on p. 111): it
finds every single wrong digit and every swap of two neighbours, so neither slip can hit another dive.
"""

from __future__ import annotations

_QUASIGROUP = (
    "0317598642",
    "7092154863",
    "4206871359",
    "1750983426",
    "6123045978",
    "3674209581",
    "5869720134",
    "8945362017",
    "9438617205",
    "2581436790",
)

SHORTEST = 6
LONGEST = 9

_LIVE_SHARE = 1000
"""At most one in this many numbers of a length may be live, so that a blind guess rarely hits."""

_REFERENCE_DIGITS = "23456789"

_REFERENCE_LETTERS = "ACEFJKNRTVWXY"
"""No I L O Q S U Z B G (they look like digits or each other), no D (like 0), and no H M P: `LATE 2H` is two
hours, `LATE 5M` five minutes and `IN 3P` three people, never a reference."""

REFERENCE_SPACE = len(_REFERENCE_DIGITS) * len(_REFERENCE_LETTERS)
"""How many different references there are; they are told apart among the dives that one person may mean."""


def check_digit(payload: str) -> str:
    """Return the Damm check digit of a string of decimal digits. Raises ValueError for anything else."""
    if not (payload.isascii() and payload.isdigit()):
        message = "a code is made of the digits 0 to 9"
        raise ValueError(message)
    interim = "0"
    for digit in payload:
        interim = _QUASIGROUP[int(interim)][int(digit)]
    return interim


def is_valid(code: str) -> bool:
    """Say whether this is six digits or more that end in their check digit."""
    # Damm's table has a zero diagonal: a number that ends in its check digit has the check digit 0.
    return len(code) >= SHORTEST and code.isascii() and code.isdigit() and check_digit(code) == "0"


def payload_space(length: int) -> int:
    """Return how many codes of `length` digits there are. Raises ValueError unless the length is 6 to 9."""
    if not SHORTEST <= length <= LONGEST:
        message = f"a code has {SHORTEST} to {LONGEST} digits, not {length}"
        raise ValueError(message)
    return 9 * int(10 ** (length - 2))


def make_code(payload_number: int, length: int) -> str:
    """Make the code of `length` digits, check digit included, for a number below `payload_space(length)`.

    The first digit is never 0, so that nobody drops it. Raises ValueError outside the space.
    """
    space = payload_space(length)
    if not 0 <= payload_number < space:
        message = f"codes of {length} digits are numbered 0 to {space - 1}, not {payload_number}"
        raise ValueError(message)
    payload = str(10 ** (length - 2) + payload_number)
    return payload + check_digit(payload)


def code_length(live_codes: int) -> int:
    """Return how long a new code must be when `live_codes` (itself included) live on a receiving number.

    Long enough that at most one in a thousand numbers of that length is live. Raises ValueError when
    even nine digits would not do, or for a negative number.
    """
    if live_codes < 0:
        message = "there cannot be fewer than no live codes"
        raise ValueError(message)
    for length in range(SHORTEST, LONGEST + 1):
        if live_codes * _LIVE_SHARE <= 9 * 10 ** (length - 1):
            return length
    message = f"{live_codes} live codes are too many for one receiving number"
    raise ValueError(message)


def make_reference(number: int) -> str:
    """Make the reference numbered `number`, such as 7K. Raises ValueError outside range(REFERENCE_SPACE)."""
    if not 0 <= number < REFERENCE_SPACE:
        message = f"references are numbered 0 to {REFERENCE_SPACE - 1}, not {number}"
        raise ValueError(message)
    letter, digit = divmod(number, len(_REFERENCE_DIGITS))
    return _REFERENCE_DIGITS[digit] + _REFERENCE_LETTERS[letter]


def read_reference(text: str) -> str | None:
    """Read a reference however it was typed (`7k`, `7 K`, `#7K`), or None where the text is not one."""
    typed = "".join(character for character in text if character not in " #.-").upper()
    if len(typed) == 2 and typed[0] in _REFERENCE_DIGITS and typed[1] in _REFERENCE_LETTERS:  # noqa: PLR2004
        return typed
    return None
