"""Asking a form-post gateway for its list: what it took of ours, what came in, and answers that are none."""

from __future__ import annotations

import json
import time
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from service.domain.people import Channel
from service.gateways.form_post import FormPostGateway, Limits
from service.gateways.form_post_lists import PAGE_BYTES_MAX, PAGES_MAX
from service.operations.gateway import CannotTell, Found, InboundText, NotFound, Outgoing, Route, Unknown
from tests.fakes.behaviour import Behaviour, accept_then_cut, broken, drip, html, huge, refuse, stall
from tests.fakes.gateway import FakeGateway
from tests.gateways.conftest import LIMITS, OpenGateway

CLEO, ANNA = "+447700900011", "+447700900001"
ALERT = Outgoing(to=CLEO, body="OVERDUE: 2 divers at Lantern Steps. Reference 7K.", reference="m1")
LISTS = Route(lists=True)


@pytest.fixture
def gateway(open_gateway: OpenGateway) -> FormPostGateway:
    """Our side of the fake gateway, which may be asked for its list."""
    return open_gateway(route=LISTS)


def now() -> datetime:
    """The wall clock, by which gateways go."""
    return datetime.now(UTC)


def listed(**changes: Any) -> dict[str, Any]:
    """A message of the list as published, taken just now."""
    at = now().strftime("%a, %d %b %Y %H:%M:%S +0000")
    usual = {"sid": "SM1", "from": "+447700900000", "to": CLEO, "body": ALERT.body, "direction": "outbound-api"}
    return usual | {"status": "sent", "date_created": at, "date_sent": at, "error_code": None} | changes


def show(fake: FakeGateway, *messages: Any, following: str | None = None) -> None:
    """Have the list be these."""
    document = {"messages": list(messages), "next_page_uri": following}
    fake.lists = Behaviour(status=200, content=json.dumps(document))


# What became of ours


def test_a_text_that_was_taken_and_not_answered_is_found(fake: FakeGateway, gateway: FormPostGateway) -> None:
    """The line is cut after the acceptance; the list has the id that the answer would have had."""
    fake.script.once(accept_then_cut())
    since = now()
    assert isinstance(gateway.send(ALERT), Unknown)

    assert gateway.look_up(ALERT, since) == Found(fake.journal.entries()[0].sid)


def test_a_text_that_was_not_taken_is_not_found(fake: FakeGateway, gateway: FormPostGateway) -> None:
    """A server error before the acceptance leaves nothing in the list."""
    fake.script.once(broken())
    since = now()
    assert isinstance(gateway.send(ALERT), Unknown)

    assert gateway.look_up(ALERT, since) == NotFound()


@pytest.mark.parametrize(
    "changes",
    [
        {"body": ALERT.body + " And more."},
        {"body": ALERT.body.lower()},
        {"to": ANNA},
        {"direction": "inbound"},
        {"date_created": "Mon, 01 Jan 2024 10:00:00 +0000", "date_sent": "Mon, 01 Jan 2024 10:00:00 +0000"},
    ],
    ids=["more words", "other letters", "to another", "inwards", "long before"],
)
def test_another_message_is_not_ours(fake: FakeGateway, gateway: FormPostGateway, changes: dict[str, str]) -> None:
    """Number, every word, direction and time must be right."""
    show(fake, listed(**changes))

    assert gateway.look_up(ALERT, now()) == NotFound()


@pytest.mark.parametrize(
    "changes",
    [
        {"date_sent": None},
        {"body": ALERT.body + "  "},
        {"direction": "outbound-reply"},
        {"from": "+447700900999"},
        {"status": "undelivered"},
    ],
    ids=["not sent on yet", "space at its end", "as a reply", "from another of our numbers", "failed since"],
)
def test_ours_is_found_however_it_is_shown(
    fake: FakeGateway, gateway: FormPostGateway, changes: dict[str, str | None]
) -> None:
    """Whatever became of it, it was taken; a message that waits there has no date of sending yet."""
    show(fake, listed(**changes))

    assert gateway.look_up(ALERT, now()) == Found("SM1")


def test_an_older_copy_that_failed_is_no_proof_of_this_try(fake: FakeGateway, gateway: FormPostGateway) -> None:
    """It goes again because that one failed: taken for this one, the alarm would rest with a text that never came."""
    before = (now() - timedelta(minutes=1)).strftime("%a, %d %b %Y %H:%M:%S +0000")
    show(fake, listed(status="undelivered", date_created=before, date_sent=before))

    assert gateway.look_up(ALERT, now()) == NotFound()


def test_of_several_the_first_of_this_try_that_has_not_failed_is_taken(
    fake: FakeGateway, gateway: FormPostGateway
) -> None:
    """One from before the try is likely known under an earlier one; a failed one is the worst of proofs."""
    since = now()

    def at(seconds: float) -> str:
        return (since + timedelta(seconds=seconds)).strftime("%a, %d %b %Y %H:%M:%S +0000")

    shown = {"SM5": 40, "SM4": 20, "SM3": 2, "SM2": -60}
    messages = [listed(sid=sid, date_sent=at(s), date_created=at(s)) for sid, s in shown.items()]
    messages[2]["status"] = "failed"
    show(fake, *messages)

    assert gateway.look_up(ALERT, since) == Found("SM4")


def test_a_clock_that_runs_ahead_finds_what_was_just_sent(fake: FakeGateway, gateway: FormPostGateway) -> None:
    """In a demo a second is a minute, and the gateway's clock is the wall's."""
    gateway.send(ALERT)

    assert isinstance(gateway.look_up(ALERT, now() + timedelta(hours=9)), Found)


def test_a_call_is_not_looked_for_among_texts(gateway: FormPostGateway) -> None:
    """Nothing can be said, so it is made again."""
    call = Outgoing(to=CLEO, body=ALERT.body, reference="m2", channel=Channel.CALL)

    assert isinstance(gateway.look_up(call, now()), CannotTell)


def test_a_gateway_that_is_not_to_be_asked_is_not(fake: FakeGateway, open_gateway: OpenGateway) -> None:
    """Many of this shape have no list; only the settings tell."""
    gateway = open_gateway()
    gateway.send(ALERT)

    assert isinstance(gateway.look_up(ALERT, now()), CannotTell)
    assert gateway.recent_texts(now() - timedelta(minutes=10), now()) is None


# What came in


def test_texts_that_were_never_posted_are_listed(fake: FakeGateway, gateway: FormPostGateway) -> None:
    """As the same text that would have been posted, the first first; what went out is left out."""
    gateway.send(ALERT)
    sid = fake.text_unposted(ANNA, "OUT 2")
    fake.text_unposted(CLEO, "OK")
    fake.text_unposted(CLEO, "to another number", to="+447700900999")

    texts = gateway.recent_texts(now() - timedelta(minutes=10), now())

    assert texts is not None
    assert [(text.sender, text.body) for text in texts] == [(ANNA, "OUT 2"), (CLEO, "OK")]
    fields = {"MessageSid": sid, "From": ANNA, "To": fake.number, "Body": "OUT 2"}
    at = texts[0].received_at
    assert texts[0] == InboundText("shore", sid, ANNA, fake.number, "OUT 2", fields, at)
    assert timedelta(0) <= now() - at < timedelta(minutes=1)


def test_texts_are_asked_for_page_by_page(fake: FakeGateway, gateway: FormPostGateway) -> None:
    """The next page is where the answer says; none is left out and none comes twice."""
    for number in range(230):
        fake.text_unposted(ANNA, f"text {number}")

    texts = gateway.recent_texts(now() - timedelta(minutes=10), now())

    assert texts is not None
    assert sorted(text.body for text in texts) == sorted(f"text {number}" for number in range(230))


def test_older_texts_end_the_asking(fake: FakeGateway, gateway: FormPostGateway) -> None:
    """Once a whole page is older than asked for, the next one is not fetched."""
    old = listed(direction="inbound", date_sent="Mon, 01 Jan 2024 10:00:00 +0000")
    show(fake, old, following="/2010-04-01/Accounts/x/Messages.json?Page=1")

    assert gateway.recent_texts(now() - timedelta(minutes=10), now()) == []


def test_a_list_without_end_gives_what_it_has_and_is_loud(
    fake: FakeGateway, gateway: FormPostGateway, caplog: pytest.LogCaptureFixture
) -> None:
    """Ten pages and no more; where ours is not on them nothing can be said."""
    show(fake, listed(direction="inbound"), following="/2010-04-01/Accounts/x/Messages.json?Page=1")

    texts = gateway.recent_texts(now() - timedelta(minutes=10), now())

    assert texts is not None
    assert len(texts) == PAGES_MAX
    assert "gateway.list_not_whole" in caplog.messages
    assert isinstance(gateway.look_up(ALERT, now()), CannotTell)


def test_the_next_page_leads_nowhere_else(fake: FakeGateway, gateway: FormPostGateway) -> None:
    """Only the query of the given address is used: login and questions go to the gateway of the settings."""
    show(fake, listed(direction="inbound"), following="http://203.0.113.9/steal?Page=1")

    texts = gateway.recent_texts(now() - timedelta(minutes=10), now())

    # Asked at the same place ten times, and never at the other, which no test may reach.
    assert texts is not None
    assert len(texts) == PAGES_MAX


@pytest.mark.parametrize(
    "odd",
    [
        7,
        {},
        listed(sid=None),
        listed(sid="with space"),
        listed(date_sent=None, date_created=None),
        listed(date_sent="soon", date_created="yesterday"),
        listed(direction="inbound", **{"from": None}),
    ],
    ids=["no object", "empty", "no sid", "an odd sid", "no date", "no real date", "no sender"],
)
def test_an_entry_that_cannot_be_read_hides_no_other(
    fake: FakeGateway, gateway: FormPostGateway, caplog: pytest.LogCaptureFixture, odd: object
) -> None:
    """It is left out, loudly."""
    show(fake, odd, listed(sid="SM2", direction="inbound", body="OUT 2", **{"from": ANNA}))

    texts = gateway.recent_texts(now() - timedelta(minutes=10), now())

    assert texts is not None
    assert [text.body for text in texts] == ["OUT 2"]
    assert "gateway.listed_oddly" in caplog.messages


BAD_ANSWERS = {
    "a refusal": refuse(401, 20003),
    "a server error": broken(),
    "a page for people": html(),
    "JSON that is no object": Behaviour(status=200, content="[]"),
    "no list": Behaviour(status=200, content="{}"),
    "a list that is none": Behaviour(status=200, content='{"messages": 3}'),
    "a cut line": accept_then_cut(),
    "silence": stall(30),
    "a drip": drip(0.1),
    "megabytes": huge(),
    "more than a page": Behaviour(status=200, padding_bytes=PAGE_BYTES_MAX),
}


@pytest.mark.parametrize("behaviour", BAD_ANSWERS.values(), ids=BAD_ANSWERS)
def test_an_answer_that_is_no_list_says_nothing(
    fake: FakeGateway, gateway: FormPostGateway, behaviour: Behaviour
) -> None:
    """Never that a message was not taken, and never that no text came in; and in time."""
    gateway.send(ALERT)
    fake.lists = behaviour
    began = time.monotonic()

    looked_up = gateway.look_up(ALERT, now())
    texts = gateway.recent_texts(now() - timedelta(minutes=10), now())

    assert isinstance(looked_up, CannotTell)
    assert texts is None
    assert time.monotonic() - began < 2 * LIMITS.total_s + 1


def test_all_pages_together_take_no_longer_than_one_answer(fake: FakeGateway, open_gateway: OpenGateway) -> None:
    """A gateway that is slow at each page is given up as a whole."""
    gateway = open_gateway(route=LISTS, limits=Limits(connect_s=0.5, read_s=0.6, total_s=1.0))
    document = {"messages": [listed(direction="inbound")], "next_page_uri": "/x?Page=1"}
    fake.lists = Behaviour(status=200, wait_s=0.4, content=json.dumps(document))
    began = time.monotonic()

    assert gateway.recent_texts(now() - timedelta(minutes=10), now()) is None
    assert time.monotonic() - began < 1.5


def test_nobody_there_says_nothing(open_gateway: OpenGateway) -> None:
    """A gateway that cannot be reached took nothing that we know of, and hides nothing."""
    gateway = open_gateway(route=LISTS, base_url="http://127.0.0.1:9")

    assert isinstance(gateway.look_up(ALERT, now()), CannotTell)
    assert gateway.recent_texts(now() - timedelta(minutes=10), now()) is None
