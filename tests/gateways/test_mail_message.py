"""How an e-mail is made: headers, both parts, and what strangers' words cannot do in it."""

from __future__ import annotations

from datetime import UTC, datetime
from email.message import EmailMessage

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.gateways.mail_message import SUBJECT_MAX, as_html, mail, message_id

NOW = datetime(2027, 6, 1, 9, 0, tzinfo=UTC)


def made(subject: str = "OVERDUE", text: str = "words", **changes: str | None) -> EmailMessage:
    """An e-mail with what matters changed."""
    values = {"to": "cleo@example.net", "language": "en", "reference": "m1", "thread": "d1"} | changes
    return mail(sender="alerts@dives.example.org", subject=subject, text=text, now=NOW, **values)  # type: ignore[arg-type]


def test_links_can_be_tapped_and_nothing_else_is_markup() -> None:
    """A diver's own words come through as words."""
    html = as_html('<script>x</script> & "y"\n\nSee https://dive.example/alarm/abc?x=1&y=2.', "en")

    assert "<script>" not in html
    assert "&lt;script&gt;x&lt;/script&gt; &amp; &quot;y&quot;" in html
    assert '<a href="https://dive.example/alarm/abc?x=1&amp;y=2">' in html
    assert "</a>." in html


def test_paragraphs_and_lines_are_kept() -> None:
    """An empty line parts paragraphs, a line end is a line end."""
    html = as_html("one\ntwo\n\nthree", "de")

    assert "<p>one<br>two</p><p>three</p>" in html
    assert '<html lang="de">' in html


def test_mails_of_one_dive_have_one_thread() -> None:
    """Each has an id of its own and refers to the same beginning."""
    first, second = made(reference="m1"), made(reference="m2")

    assert first["Message-ID"] != second["Message-ID"]
    assert first["References"] == second["References"] == "<dive-d1@dives.example.org>"


def test_a_mail_of_no_dive_refers_to_nothing() -> None:
    """News for an admin begins a thread of its own."""
    alone = made(thread=None)

    assert alone["References"] is None
    assert alone["In-Reply-To"] is None


def test_sent_twice_it_has_the_same_id() -> None:
    """Mail programs show the second copy of one id once, where they can."""
    assert message_id("m1", "a@dives.example.org") == message_id("m1", "a@dives.example.org")


def test_nothing_says_that_it_is_of_a_mailing_list() -> None:
    """No list headers, and nobody is asked to answer."""
    names = {name.lower() for name in made().keys()}  # noqa: SIM118 - headers, not a mapping

    assert not {name for name in names if name.startswith("list-")}
    assert "reply-to" not in names
    assert "precedence" not in names


@given(st.text(max_size=400))
def test_no_subject_brings_in_a_header(subject: str) -> None:
    """Whatever a plan says, a subject is one line and not too long."""
    message = made(subject=subject.encode("utf-8", "replace").decode())
    plain = made()

    assert sorted(message.keys()) == sorted(plain.keys())
    assert len(str(message["Subject"])) <= SUBJECT_MAX
    assert message.as_bytes().split(b"\r\n\r\n")[0].count(b"\r\nSubject:") <= 1


@given(st.text(max_size=300))
def test_every_text_can_be_mailed(text: str) -> None:
    """Accents and other scripts come through; no line is longer than RFC 5322 allows (998 octets)."""
    words = text.encode("utf-8", "replace").decode()
    raw = made(text=words).as_bytes()

    assert max(len(line) for line in raw.split(b"\r\n")) <= 998


@pytest.mark.parametrize("to", ["", "nobody", "a@b@c", "x\r\nBcc: y@example.net"])
def test_what_is_no_address_is_refused(to: str) -> None:
    """With words, not with a broken mail."""
    with pytest.raises(ValueError, match="not an e-mail address"):
        made(to=to)
