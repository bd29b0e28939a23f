"""Voice calls by the form-post format, over real HTTP: what is asked, what is spoken, and the three outcomes."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import replace
from xml.etree.ElementTree import Element

import pytest
from defusedxml.ElementTree import fromstring

from service.domain.people import Channel
from service.gateways import GatewaySettingsError
from service.gateways.entries import Entry
from service.gateways.form_post import FormPostGateway
from service.gateways.form_post_calls import (
    CALL_LASTS_S,
    RINGS_S,
    SPOKEN_CUT,
    XML_CHARACTERS_MAX,
    asking_xml,
    call_addresses,
    call_form,
    closing_xml,
)
from service.gateways.form_post_settings import read_form_post
from service.operations.gateway import Accepted, Blame, Outgoing, Refused, Unknown
from tests.fakes import behaviour
from tests.fakes.gateway import FakeGateway

OpenGateway = Callable[..., FormPostGateway]

PUBLIC_URL = "https://dives.example.org"
CLEO = "+441632960201"
SPOKEN = "This is Skerry Bay Divers. Bram Vik is overdue. Press 1 to say that you have it."
CALL = Outgoing(to=CLEO, body=SPOKEN, reference="m-1", channel=Channel.CALL)
KEY_URL = f"{PUBLIC_URL}/inbound/shore/call/m-1/key"
SHORE = {
    "name": "shore",
    "kind": "form-post",
    "base_url": "https://texts.example.org",
    "account": "AC1",
    "token": "token-nobody-may-see",
    "sender": "+447700900000",
}


def _parts(xml: str) -> list[Element]:
    return list(fromstring(xml))


@pytest.fixture
def caller(open_gateway: OpenGateway) -> FormPostGateway:
    """Our side of the fake gateway, set up to make calls."""
    return open_gateway(calls=True)


def test_an_accepted_call_is_in_the_journal_under_the_id_we_were_given(
    fake: FakeGateway, caller: FormPostGateway
) -> None:
    """What is spoken is the message, with the addresses for a key and for the end of the call."""
    outcome = caller.send(CALL)

    (taken,) = fake.journal.entries()
    assert outcome == Accepted(taken.sid)
    assert (taken.channel, taken.to, taken.sender, taken.body) == ("call", CLEO, fake.number, SPOKEN)
    assert taken.key_url == KEY_URL
    assert taken.status_callback == f"{PUBLIC_URL}/inbound/shore/call/m-1/status"


def test_calls_come_from_the_number_set_for_them(fake: FakeGateway, open_gateway: OpenGateway) -> None:
    """Texts go on from theirs."""
    gateway = open_gateway(calls=True, call_sender="+441632960000")

    gateway.send(CALL)
    gateway.send(replace(CALL, channel=Channel.TEXT))

    assert [taken.sender for taken in fake.journal.entries()] == ["+441632960000", fake.number]


@pytest.mark.parametrize(("calls", "channels"), [(False, {Channel.TEXT}), (True, {Channel.TEXT, Channel.CALL})])
def test_a_gateway_carries_calls_only_where_it_is_set(
    open_gateway: OpenGateway, *, calls: bool, channels: set[Channel]
) -> None:
    """Without the setting nobody is rung."""
    assert open_gateway(calls=calls).channels == channels


def test_the_form_asks_for_the_end_of_the_call_and_bounds_it() -> None:
    """One status, however it ends; a bound for ringing and for the whole."""
    form = call_form(CALL, "+447700900000", call_addresses(PUBLIC_URL + "/", "shore", "m-1"))

    assert form["StatusCallbackEvent"] == "completed"
    assert (form["Timeout"], form["TimeLimit"]) == (str(RINGS_S), str(CALL_LASTS_S))
    assert form["StatusCallback"] == f"{PUBLIC_URL}/inbound/shore/call/m-1/status"
    assert not {"Url", "ApplicationSid", "MachineDetection", "Record"} & set(form)


def test_the_message_is_said_twice_while_one_key_is_waited_for() -> None:
    """Without a key the call says goodbye and hangs up."""
    gather, goodbye, hangup = _parts(asking_xml(SPOKEN, "en", KEY_URL))

    assert (gather.tag, goodbye.tag, hangup.tag) == ("Gather", "Say", "Hangup")
    assert (gather.attrib["numDigits"], gather.attrib["action"], gather.attrib["method"]) == ("1", KEY_URL, "POST")
    assert [(say.attrib["loop"], say.text) for say in gather] == [("2", SPOKEN)]
    assert str(goodbye.text).endswith("Goodbye.")


@pytest.mark.parametrize(
    ("language", "tag"),
    [("en", "en-GB"), ("es", "es-ES"), ("fr", "fr-FR"), ("de", "de-DE"), ("it", "it-IT"), ("nl", "nl")],
)
def test_a_voice_of_the_language_speaks(language: str, tag: str) -> None:
    """Every piece that is said has the BCP 47 tag of the recipient's language."""
    document = fromstring(asking_xml(SPOKEN, language, KEY_URL))

    assert {say.attrib["language"] for say in document.iter("Say")} == {tag}


@pytest.mark.parametrize("spoken", ['<Dial>+447700900999</Dial> & "x"', "Caf\u00e9 \u0394 \U0001f30a", "]]>"])
def test_what_is_spoken_cannot_become_an_instruction(spoken: str) -> None:
    """A name that looks like XML is read aloud as it stands."""
    document = fromstring(asking_xml(spoken, "en", KEY_URL))

    assert [part.tag for part in document.iter()] == ["Response", "Gather", "Say", "Say", "Hangup"]
    assert document.findtext("Gather/Say") == spoken


@pytest.mark.parametrize("odd", ["\x00", "\x07", "\x1b", "\ufffe", "\ud800"], ids=ascii)
def test_characters_that_xml_cannot_hold_are_left_out(odd: str) -> None:
    """The document can be read whatever a name holds."""
    document = fromstring(asking_xml(f"Bram{odd}Vik", "en", KEY_URL))

    assert document.findtext("Gather/Say") == "Bram Vik"


@pytest.mark.parametrize("piece", ["word ", "&&&& "])
def test_the_document_keeps_to_the_published_length(piece: str, caplog: pytest.LogCaptureFixture) -> None:
    """What does not fit is left out word by word, and that is loud; what is left can be read."""
    document = asking_xml(piece * 1500, "en", KEY_URL)

    assert XML_CHARACTERS_MAX - 40 < len(document) <= XML_CHARACTERS_MAX
    assert set(str(fromstring(document).findtext("Gather/Say")).split()) == {piece.strip()}
    assert [record.message for record in caplog.records] == [SPOKEN_CUT]


def test_a_usual_message_is_spoken_whole(caplog: pytest.LogCaptureFixture) -> None:
    """A minute of speech is far from the limit."""
    with caplog.at_level(logging.ERROR):
        document = asking_xml(SPOKEN * 10, "en", KEY_URL)

    assert fromstring(document).findtext("Gather/Say") == SPOKEN * 10
    assert caplog.records == []


def test_what_is_said_at_the_end_hangs_up() -> None:
    """Nothing more is asked."""
    say, hangup = _parts(closing_xml("Thank you.", "fr"))

    assert (say.text, say.attrib["language"], hangup.tag) == ("Thank you.", "fr-FR", "Hangup")


@pytest.mark.parametrize(
    ("code", "blame"),
    [
        (13224, Blame.NUMBER),
        (21201, Blame.NUMBER),
        (21202, Blame.NUMBER),
        (21211, Blame.NUMBER),
        (13225, Blame.NO_ROUTE),
        (13227, Blame.NO_ROUTE),
        (21203, Blame.NO_ROUTE),
        (21215, Blame.NO_ROUTE),
        (21216, Blame.NO_ROUTE),
        (21219, Blame.NO_ROUTE),
        (10001, Blame.GATEWAY),
        (21205, Blame.GATEWAY),
        (21210, Blame.GATEWAY),
        (21213, Blame.GATEWAY),
        (10004, Blame.THROTTLED),
    ],
)
def test_a_refused_call_names_its_cause(
    fake: FakeGateway, caller: FormPostGateway, caplog: pytest.LogCaptureFixture, code: int, blame: Blame
) -> None:
    """The published codes of calls are known, so none of them is loud."""
    fake.script.once(behaviour.refuse(400, code))

    outcome = caller.send(CALL)

    assert isinstance(outcome, Refused)
    assert (outcome.blame, outcome.code) == (blame, str(code))
    assert caplog.records == []


@pytest.mark.parametrize(
    "how",
    [behaviour.accept_then_cut(), behaviour.broken(500, takes=True), behaviour.html()],
    ids=["cut", "500", "html"],
)
def test_a_call_that_may_have_been_taken_is_unknown(
    fake: FakeGateway, caller: FormPostGateway, how: behaviour.Behaviour
) -> None:
    """The same line between refused and unknown as for texts."""
    fake.script.once(how)

    assert isinstance(caller.send(CALL), Unknown)


def _read(**changes: object) -> tuple[bool, str | None]:
    config = read_form_post(Entry("gateway shore", SHORE | changes))
    return config.calls, config.call_sender


@pytest.mark.parametrize(
    ("changes", "read"),
    [
        ({}, (False, None)),
        ({"calls": True}, (True, None)),
        ({"calls": True, "call_sender": "+441632960000"}, (True, "+441632960000")),
        ({"calls": True, "call_sender": "+441632960000", "sender": "60777"}, (True, "+441632960000")),
    ],
)
def test_whether_a_gateway_makes_calls_is_in_its_settings(
    changes: dict[str, object], read: tuple[bool, str | None]
) -> None:
    """And from which number."""
    assert _read(**changes) == read


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"calls": "yes"}, "gateway shore: calls must be true or false"),
        ({"call_sender": "+441632960000"}, "gateway shore: calls must be true where there is a call_sender"),
        (
            {"calls": True, "call_sender": "60777"},
            "gateway shore: call_sender must be the phone number that calls, such as +447700900000",
        ),
        (
            {"calls": True, "sender": "60777"},
            "gateway shore: call_sender is missing, since a short code cannot make calls",
        ),
        (
            {"calls": True, "receipts": False},
            "gateway shore: receipts must be true where there are calls: how a call ended is told by receipt",
        ),
    ],
)
def test_settings_of_calls_that_cannot_work_are_refused(changes: dict[str, object], reason: str) -> None:
    """The reason says what would be right."""
    with pytest.raises(GatewaySettingsError) as refusal:
        _read(**changes)

    assert str(refusal.value) == reason
