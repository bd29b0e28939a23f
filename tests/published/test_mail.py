"""E-mail against the standards: headers of machines, reply codes, enhanced status codes."""

from __future__ import annotations

import pytest

from service.gateways.smtp_codes import BLAME_BY_REPLY, BLAME_BY_STATUS, blame_for
from service.operations.gateway import Blame
from tests.gateways.test_mail_message import made


def test_a_machine_says_that_it_is_one() -> None:
    """RFC 3834 section 5: "auto-generated" marks what was not sent in answer to another message."""
    assert made()["Auto-Submitted"] == "auto-generated"


def test_message_ids_have_the_form_of_the_standard() -> None:
    """RFC 5322 section 3.6.4: an id in angle brackets, with a right side that is ours."""
    left, right = made()["Message-ID"].strip("<>").split("@")

    assert left
    assert right == "dives.example.org"


@pytest.mark.parametrize(
    ("status", "blame"),
    [
        ("5.1.1", Blame.NUMBER),  # RFC 3463 3.2: bad destination mailbox address
        ("5.1.2", Blame.NUMBER),  # RFC 3463 3.2: bad destination system address
        ("5.2.2", Blame.NUMBER),  # RFC 3463 3.3: mailbox full
        ("5.3.4", Blame.FILTERED),  # RFC 3463 3.4: message too big for system
        ("4.4.2", Blame.TRANSIENT),  # RFC 3463 3.5: bad connection
        ("5.7.1", Blame.FILTERED),  # RFC 3463 3.8: delivery not authorized, message refused
        ("5.7.8", Blame.GATEWAY),  # RFC 4954 6: authentication credentials invalid
        ("5.1.10", Blame.NUMBER),  # RFC 7505 4.2: recipient address has null MX
    ],
)
def test_enhanced_status_codes_mean_what_the_standards_say(status: str, blame: Blame) -> None:
    """Read before the reply code, since they are the more exact."""
    assert blame_for(550, status) is blame


@pytest.mark.parametrize(
    ("reply", "blame"),
    [
        (421, Blame.TRANSIENT),  # RFC 5321 4.2.3: service not available, closing
        (450, Blame.TRANSIENT),  # RFC 5321 4.2.3: mailbox unavailable, busy
        (550, Blame.NUMBER),  # RFC 5321 4.2.3: mailbox unavailable
        (535, Blame.GATEWAY),  # RFC 4954 6: credentials invalid
        (556, Blame.NUMBER),  # RFC 7504 3: domain does not accept mail
    ],
)
def test_reply_codes_mean_what_the_standards_say(reply: int, blame: Blame) -> None:
    """Where a server gives no enhanced status."""
    assert blame_for(reply, None) is blame


def test_what_passes_is_never_held_against_a_person() -> None:
    """RFC 5321 section 4.2.1: a code that begins with 4 may succeed later, one with 5 will not."""
    passing = [blame for code, blame in BLAME_BY_STATUS.items() if code.startswith("4")]
    passing += [blame for code, blame in BLAME_BY_REPLY.items() if code < 500]

    assert Blame.NUMBER not in passing
