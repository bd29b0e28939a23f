"""Practice phones that ring: real HTTP both ways, signed, and each button does what a real gateway would see."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any
from zoneinfo import ZoneInfo

import httpx
import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.demo.phones import Phones
from service.domain.people import Channel
from service.gateways.form_post import FormPostGateway
from service.operations.gateway import Accepted, Found, Outgoing, Refused, Route
from service.store import leases, outbox, practice
from service.store.tables import ReceiptRow
from service.web import practice_calls
from service.web.context import EXTENSION, Web
from tests.web.calls import at_distress, call_of
from tests.web.installation import API_TOKEN, CLEO, DOV, Site, StillClock
from tests.web.live import serving

JSON = {"Accept": "application/json"}
SPOKEN = "This is Linetender. Press 1 to say that you have it."


@pytest.fixture
def live(engine: Engine, clock: StillClock) -> Iterator[Site]:
    """A demo that listens."""
    with serving(engine, clock) as site:
        yield site


@pytest.fixture
def http(live: Site) -> Iterator[httpx.Client]:
    """A script that speaks to the demo."""
    with httpx.Client(base_url=live.service.public_url, trust_env=False) as client:
        yield client


@pytest.fixture
def caller(live: Site) -> Iterator[FormPostGateway]:
    """The service's own way to the practice gateway, set up to make calls."""
    web: Web = live.app.extensions[EXTENSION]
    assert web.practice is not None
    config = replace(web.practice.config, calls=True, route=Route(lists=True))
    gateway = FormPostGateway(config, public_url=live.service.public_url)
    yield gateway
    gateway.close()


@pytest.fixture
def phones(live: Site) -> Iterator[Phones]:
    """The phones as a script of the demo sees them."""
    opened = Phones(live.service.public_url, API_TOKEN, ZoneInfo("Atlantic/Azores"), lambda _: None)
    yield opened
    opened.close()


def ring(caller: FormPostGateway, to: str = CLEO, message_id: str = "m1") -> str:
    """Have a phone called; gives the id of the call."""
    outcome = caller.send(Outgoing(to, SPOKEN, message_id, channel=Channel.CALL))
    assert isinstance(outcome, Accepted)
    return outcome.provider_id


def calls(http: httpx.Client, number: str = CLEO) -> list[dict[str, Any]]:
    """The calls of one phone in the state document."""
    phones = http.get("/practice/state.json").json()["phones"]
    found: list[dict[str, Any]] = next(one["calls"] for one in phones if one["phone"] == number)
    return found


def do(http: httpx.Client, what: str, **more: str) -> httpx.Response:
    """Press a button of Cleo's phone, as a script."""
    return http.post("/practice/call", data={"phone": CLEO, "do": what, **more}, headers=JSON)


def receipts(site: Site) -> list[tuple[str, str | None]]:
    """State and code of every receipt, first to last."""

    def work(session: Session) -> list[tuple[str, str | None]]:
        found = select(ReceiptRow.state, ReceiptRow.code).order_by(ReceiptRow.id)
        return [(row.state, row.code) for row in session.execute(found)]

    return site.service.read(work)


def eventually(check: Callable[[], bool]) -> bool:
    """Whether it becomes true within five seconds."""
    end = time.monotonic() + 5
    while time.monotonic() < end:
        if check():
            return True
        time.sleep(0.02)
    return check()


def handed_call(site: Site, caller: FormPostGateway) -> tuple[str, Callable[[], str]]:
    """A call at distress that rings on Cleo's phone; its dive, and a look at what became of the call."""
    dive = at_distress(site)
    message = call_of(site, dive)
    sid, now = ring(caller, message_id=message.id), site.clock.now()

    def work(session: Session) -> bool:
        leases.lease(session, leases.waiting(session, now, 100), "test", now, 30.0)
        outbox.begin_attempt(session, message.id, "practice", "test", now)
        return outbox.mark_handed(session, message.id, "test", "practice", sid, now)

    assert site.service.write(work)
    return dive.id, lambda: call_of(site, dive).state


def test_a_call_rings_with_what_will_be_spoken(http: httpx.Client, caller: FormPostGateway) -> None:
    """The page shows the words and the three buttons; a script sees the same."""
    ring(caller)

    page = http.get("/practice").text
    assert all(words in page for words in ("Ringing", SPOKEN, "Press 1", "Let it ring", "Voicemail answers"))
    (call,) = calls(http)
    assert (call["body"], call["ringing"], call["ended"], call["delivered"]) == (SPOKEN, True, None, False)


def test_key_1_on_a_ringing_phone_answers_the_alarm(live: Site, http: httpx.Client, caller: FormPostGateway) -> None:
    """The key reaches the service signed, the thanks are shown, and the end of the call follows as no news."""
    _, state = handed_call(live, caller)

    assert do(http, "key").json() == {"ok": True, "words": None}

    assert state() == "delivered"
    call, said = calls(http)
    assert (call["ended"], call["delivered"], call["ringing"]) == ("key 1", True, False)
    assert (said["ended"], said["body"].startswith("Thank you. You have it.")) == ("said back", True)
    assert eventually(lambda: [code for _, code in receipts(live)] == ["key 1", "call-no-key"])
    assert state() == "delivered"


def test_another_key_hears_the_message_again_and_it_goes_on(
    live: Site, http: httpx.Client, caller: FormPostGateway
) -> None:
    """The call is still there to be answered."""
    _, state = handed_call(live, caller)

    do(http, "key", key="5")

    said, call = calls(http)
    assert (call["ringing"], said["ended"]) == (True, "said back")
    assert "press 1" in said["body"].lower()
    assert state() == "handed"
    do(http, "key", key="1")
    assert state() == "delivered"


@pytest.mark.parametrize(
    ("what", "ended", "code", "words"),
    [
        ("ring", "no-answer", "call-no-answer", "nobody answered"),
        ("machine", "completed", "call-no-key", "a machine answered"),
    ],
)
def test_silence_and_a_machine_are_not_answers(
    live: Site, http: httpx.Client, caller: FormPostGateway, what: str, ended: str, code: str, words: str
) -> None:
    """The service hears how it ended, and the call has failed."""
    _, state = handed_call(live, caller)

    do(http, what)

    assert [(call["ended"], call["ringing"]) for call in calls(http)] == [(ended, False)]
    assert words in http.get("/practice").text
    assert eventually(lambda: receipts(live) == [("failed", code)])
    assert state() == "failed"


def test_a_phone_that_is_off_does_not_answer(live: Site, http: httpx.Client, caller: FormPostGateway) -> None:
    """It never rings, and its texts go on waiting when it is switched on."""
    http.post("/practice/switch", data={"phone": CLEO, "on": "no"})

    ring(caller)

    assert [(call["ended"], call["ringing"]) for call in calls(http)] == [("no-answer", False)]
    assert eventually(lambda: receipts(live) == [("failed", "call-no-answer")])
    http.post("/practice/switch", data={"phone": CLEO, "on": "yes"})
    assert receipts(live) == [("failed", "call-no-answer")]


def test_a_phone_that_is_switched_off_stops_ringing(live: Site, http: httpx.Client, caller: FormPostGateway) -> None:
    """As when nobody takes it."""
    ring(caller)

    http.post("/practice/switch", data={"phone": CLEO, "on": "no"})

    assert [call["ended"] for call in calls(http)] == ["no-answer"]
    assert eventually(lambda: receipts(live) == [("failed", "call-no-answer")])


def test_a_phone_that_rings_is_busy_for_the_next_call(live: Site, http: httpx.Client, caller: FormPostGateway) -> None:
    """Another phone is not."""
    ring(caller, message_id="m1")
    ring(caller, message_id="m2")
    ring(caller, to=DOV, message_id="m3")

    assert [call["ended"] for call in calls(http)] == ["busy", None]
    assert [call["ended"] for call in calls(http, DOV)] == [None]
    assert eventually(lambda: receipts(live) == [("failed", "call-busy")])


def test_a_call_that_has_rung_out_by_the_clock_gives_way(
    live: Site, http: httpx.Client, caller: FormPostGateway
) -> None:
    """Where the clock runs fast it still rings for the buttons, but keeps no later call from coming."""
    ring(caller, message_id="m1")
    live.clock.forward(1)

    ring(caller, message_id="m2")

    assert [call["ended"] for call in calls(http)] == ["no-answer", None]
    assert eventually(lambda: receipts(live) == [("failed", "call-no-answer")])


def test_a_call_that_nobody_takes_ends_by_itself(
    live: Site, http: httpx.Client, caller: FormPostGateway, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After as long as a real one rings."""
    monkeypatch.setattr(practice_calls, "RINGS_S", 0.05)
    monkeypatch.setattr(practice_calls, "RINGS_LEAST_S", 0.05)

    ring(caller)

    assert eventually(lambda: receipts(live) == [("failed", "call-no-answer")])
    assert [call["ended"] for call in calls(http)] == ["no-answer"]


def test_a_button_for_a_phone_that_does_not_ring_says_so(http: httpx.Client) -> None:
    """On the page beside the phone, and to a script."""
    assert do(http, "key").status_code == 409
    answer = http.post("/practice/call", data={"phone": CLEO, "do": "key"})
    assert (answer.status_code, "does not ring" in answer.text) == (409, True)


@pytest.mark.parametrize("fields", [{"do": "shout"}, {"do": "key", "key": "12"}, {"do": "key", "key": ""}, {}])
def test_what_a_phone_cannot_do_is_refused(http: httpx.Client, caller: FormPostGateway, fields: dict[str, str]) -> None:
    """And it goes on ringing."""
    ring(caller)

    answer = http.post("/practice/call", data={"phone": CLEO, **fields}, headers=JSON)

    assert answer.status_code == 422
    assert [call["ringing"] for call in calls(http)] == [True]


def test_a_key_that_the_service_does_not_take_leaves_it_ringing(
    live: Site, http: httpx.Client, caller: FormPostGateway
) -> None:
    """The page says so, and the key can be pressed again."""
    ring(caller)
    with live.service.engine.begin() as connection:
        connection.exec_driver_sql("ALTER TABLE messages RENAME TO messages_away")

    path = http.post("/practice/call", data={"phone": CLEO, "do": "key"}, headers=JSON)

    with live.service.engine.begin() as connection:
        connection.exec_driver_sql("ALTER TABLE messages_away RENAME TO messages")
    assert path.status_code in {502, 503}
    assert [call["ringing"] for call in calls(http)] == [True]


def test_without_javascript_a_button_leads_back_to_the_phone(http: httpx.Client, caller: FormPostGateway) -> None:
    """A form post is answered by a redirect to the card."""
    ring(caller)

    answer = http.post("/practice/call", data={"phone": CLEO, "do": "ring"})

    assert (answer.status_code, answer.headers["Location"]) == (303, "/practice#phone-447700900201")


def test_a_script_sees_and_answers_calls(http: httpx.Client, caller: FormPostGateway, phones: Phones) -> None:
    """The tour's own way to the phones."""
    ring(caller)

    phones.look()
    assert [call["ringing"] for call in phones.calls(CLEO)] == [True]
    phones.answer_call(CLEO, "1")
    phones.look()

    assert [call["ended"] for call in phones.calls(CLEO)] == ["key 1", "said back"]


@pytest.mark.parametrize(
    ("changes", "code"),
    [({"To": ""}, 21201), ({"From": ""}, 21213), ({"Twiml": ""}, 21205), ({"Twiml": "<Response>"}, 12100)],
)
def test_a_call_that_cannot_be_made_is_refused_as_by_a_real_gateway(
    live: Site, http: httpx.Client, changes: dict[str, str], code: int
) -> None:
    """With a code that our side knows or is loud about."""
    web: Web = live.app.extensions[EXTENSION]
    assert web.practice is not None
    config = web.practice.config
    form = {"To": CLEO, "From": "+447700900000", "Twiml": "<Response/>", "StatusCallback": "http://x.test/s"} | changes

    answer = http.post(
        f"/practice/gateway/2010-04-01/Accounts/{config.account}/Calls.json",
        data=form,
        auth=(config.account, config.token),
    )

    assert (answer.status_code, answer.json()["code"]) == (400, code)


def test_the_gateway_end_for_calls_refuses_a_wrong_token(live: Site, http: httpx.Client) -> None:
    """As for texts; another account is not found."""
    address = "/practice/gateway/2010-04-01/Accounts/{}/Calls.json"

    assert http.post(address.format("PRACTICE"), data={}, auth=("PRACTICE", "wrong")).status_code == 401
    assert http.post(address.format("OTHER"), data={}, auth=("OTHER", "practice-token")).status_code == 404


def test_a_key_goes_to_ourselves_whatever_address_is_named(
    live: Site, http: httpx.Client, caller: FormPostGateway
) -> None:
    """An address elsewhere in the XML is never posted to."""
    elsewhere = FormPostGateway(caller._config, public_url="http://127.0.0.1:9/elsewhere")
    try:
        ring(elsewhere)
    finally:
        elsewhere.close()

    do(http, "ring")

    assert eventually(lambda: receipts(live) == [("failed", "call-no-answer")])


def test_an_address_of_another_kind_is_refused(live: Site, http: httpx.Client) -> None:
    """A key is posted to an address of ours or nowhere."""
    web: Web = live.app.extensions[EXTENSION]
    assert web.practice is not None
    config = web.practice.config
    xml = '<Response><Gather action="http://example.org/other"><Say>x</Say></Gather></Response>'
    form = {"To": CLEO, "From": "+447700900000", "Twiml": xml, "StatusCallback": "http://x.test/s"}

    answer = http.post(
        f"/practice/gateway/2010-04-01/Accounts/{config.account}/Calls.json",
        data=form,
        auth=(config.account, config.token),
    )

    assert answer.status_code == 400


def test_the_practice_gateway_lists_its_texts(live: Site, http: httpx.Client, caller: FormPostGateway) -> None:
    """Both ways, with our own reader of such lists; calls are not among them."""
    http.post("/practice/text", data={"phone": CLEO, "body": "hello"})
    taken = caller.send(Outgoing(CLEO, "Skerry Bay Divers: please keep.", "m1"))
    ring(caller)

    now = live.clock.now()
    texts = caller.recent_texts(now, now)
    assert texts is not None
    assert [(text.sender, text.body) for text in texts] == [(CLEO, "hello")]
    assert isinstance(taken, Accepted)
    assert caller.look_up(Outgoing(CLEO, "Skerry Bay Divers: please keep.", "m1"), now) == Found(taken.provider_id)


def test_the_list_is_for_its_account_only(http: httpx.Client) -> None:
    """As with a real gateway."""
    address = "/practice/gateway/2010-04-01/Accounts/PRACTICE/Messages.json"

    assert http.get(address).status_code == 401
    assert http.get(address, auth=("PRACTICE", "wrong")).status_code == 401
    assert http.get(address.replace("PRACTICE", "OTHER"), auth=("OTHER", "practice-token")).status_code == 404


def _mail(site: Site, address: str, subject: str | None) -> None:
    site.service.write(
        lambda session: practice.add(
            session,
            to_phone=address,
            from_phone="linetender@skerry.example",
            body="Overdue.\n\n<b>Call rescue.</b>",
            direction=practice.TO_PHONE,
            at=site.clock.now(),
            sid=f"M{address}",
            delivered=True,
            channel=Channel.EMAIL,
            subject=subject,
        )
    )


def test_e_mails_are_shown_with_the_person_they_are_for(live: Site, http: httpx.Client) -> None:
    """An admin's by their address; to an address that nobody is known by, in a mailbox of its own."""
    _mail(live, "edda@skerry.example", "Overdue: Anna Holt")
    _mail(live, "somebody@else.example", None)

    page = http.get("/practice").text
    state = http.get("/practice/state.json").json()["phones"]
    mails = {one["phone"]: [(mail["to"], mail["subject"]) for mail in one["mails"]] for one in state if one["mails"]}
    assert mails == {
        "+447700900301": [("edda@skerry.example", "Overdue: Anna Holt")],
        "somebody@else.example": [("somebody@else.example", None)],
    }
    assert "Overdue: Anna Holt" in page
    assert "&lt;b&gt;Call rescue.&lt;/b&gt;" in page
    assert "Another mailbox" in page


def test_nobody_can_text_from_a_mailbox(live: Site, http: httpx.Client) -> None:
    """It has no form, and a post for it finds nothing."""
    _mail(live, "somebody@else.example", "x")

    assert http.post("/practice/text", data={"phone": "somebody@else.example", "body": "IN"}).status_code == 404
    assert "Text as Another mailbox" not in http.get("/practice").text


def test_a_refused_call_is_refused_for_the_courier_too(
    caller: FormPostGateway, caplog: pytest.LogCaptureFixture
) -> None:
    """Our side reads the practice gateway's refusal as any other's."""
    outcome = caller.send(Outgoing("", SPOKEN, "m1", channel=Channel.CALL))

    assert isinstance(outcome, Refused)
    # The practice gateway is asked over HTTP and notes that for itself.
    odd = [record for record in caplog.records if record.levelno >= logging.WARNING]
    assert (outcome.code, odd) == ("21201", [])
