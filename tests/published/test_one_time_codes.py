"""One-time codes against the values that their standards publish."""

from __future__ import annotations

import base64
from datetime import UTC, datetime

import pytest

from service.operations.one_time_codes import STEP_S, step_of

# The key of both: the ASCII string "12345678901234567890".
SECRET = base64.b32encode(b"12345678901234567890").decode()

# RFC 4226, Appendix D: counter and code of six digits.
HOTP = [755224, 287082, 359152, 969429, 338314, 254676, 287922, 162583, 399871, 520489]

# RFC 6238, Appendix B, the rows of SHA-1: seconds since 1970 and code of eight digits. Ours has six, which are the last
# six of those, since both are the same number by different powers of ten (RFC 4226 section 5.3).
TOTP = [
    (59, "94287082"),
    (1111111109, "07081804"),
    (1111111111, "14050471"),
    (1234567890, "89005924"),
    (2000000000, "69279037"),
    (20000000000, "65353130"),
]


@pytest.mark.parametrize(("counter", "code"), list(enumerate(HOTP)))
def test_codes_are_those_of_rfc_4226(counter: int, code: int) -> None:
    """The counter is the number of the half minute."""
    at = datetime.fromtimestamp(counter * STEP_S, UTC)

    assert step_of(SECRET, f"{code:06}", at, last_step=counter - 1) == counter


@pytest.mark.parametrize(("seconds", "code"), TOTP)
def test_codes_are_those_of_rfc_6238(seconds: int, code: str) -> None:
    """At the published moments, and neither two steps before nor two steps after."""
    at = datetime.fromtimestamp(seconds, UTC)
    step = seconds // STEP_S

    assert step_of(SECRET, code[-6:], at, last_step=0) == step
    for aside in (-2, 2):
        moved = datetime.fromtimestamp(seconds + aside * STEP_S, UTC)
        assert step_of(SECRET, code[-6:], moved, last_step=0) is None


@pytest.mark.parametrize(
    "typed", ["", "28708", "2870820", "94287082", "28708a", "\u0662\u0668\u0667\u0660\u0668\u0662", "-87082"]
)
def test_what_is_no_code_of_six_digits_is_none(typed: str) -> None:
    """Digits of other scripts and more or fewer of them are refused."""
    assert step_of(SECRET, typed, datetime.fromtimestamp(59, UTC), last_step=0) is None


def test_a_step_that_was_taken_is_passed_over() -> None:
    """RFC 6238 section 5.2: the verifier must not accept the second attempt of a code that was accepted."""
    at = datetime.fromtimestamp(59, UTC)

    assert step_of(SECRET, "287082", at, last_step=1) is None
