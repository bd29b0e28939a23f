"""The contract of a json-post gateway, over real HTTP against a fake one, whose journal says what it took."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from service.gateways.answers import UNKNOWN_ERROR_CODE
from service.gateways.exchange import Limits
from service.gateways.json_post import JsonPostConfig, JsonPostGateway
from service.gateways.json_post_codes import BLAME_BY_CODE
from service.operations.gateway import Accepted, Blame, CannotTell, Found, NotFound, Outgoing, Refused, Unknown
from tests.fakes import behaviour
from tests.fakes.behaviour import Behaviour
from tests.fakes.json_gateway import NUMBER, SECRET, TOKEN, JsonGateway, problem
from tests.gateways.conftest import LIMITS

Opening = Callable[..., JsonPostGateway]

CLEO = "+447700900123"
TEXT = Outgoing(to=CLEO, body="Skerry Bay Divers: Bram Vik is overdue. Ref 7K", reference="m/1 a", valid_for_s=1800.0)
AT = datetime(2027, 6, 1, 9, 0, tzinfo=UTC)


@pytest.fixture
def home() -> Iterator[JsonGateway]:
    """A home-made gateway that accepts everything until it is told otherwise."""
    with JsonGateway() as running:
        yield running


@pytest.fixture
def opening(home: JsonGateway) -> Iterator[Opening]:
    """Open our side, with the settings or limits changed as asked."""
    config = JsonPostConfig(name="boathouse", base_url=home.base_url, token=TOKEN, secret=SECRET, sender=NUMBER)
    opened: list[JsonPostGateway] = []

    def open_one(*, limits: Limits = LIMITS, **changes: object) -> JsonPostGateway:
        opened.append(JsonPostGateway(replace(config, **changes), limits=limits))  # type: ignore[arg-type]
        return opened[-1]

    yield open_one
    for gateway in opened:
        gateway.close()


@pytest.fixture
def gateway(opening: Opening) -> JsonPostGateway:
    """Our side, set up right."""
    return opening()


def test_an_accepted_text_is_in_the_journal_under_the_id_we_were_given(
    home: JsonGateway, gateway: JsonPostGateway
) -> None:
    """What was accepted is what was sent, with our id, and how long it is of use."""
    outcome = gateway.send(TEXT)

    (taken,) = home.journal.entries()
    assert outcome == Accepted(taken.sid)
    assert (taken.to, taken.sender, taken.body) == (CLEO, NUMBER, TEXT.body)
    assert home.documents == [
        {"id": "m/1 a", "to": CLEO, "from": NUMBER, "body": TEXT.body, "valid_for_s": 1800.0, "channel": "text"}
    ]


@pytest.mark.parametrize("status", [200, 201, 202])
def test_each_way_to_say_taken_is_understood(home: JsonGateway, gateway: JsonPostGateway, status: int) -> None:
    """Whoever builds a gateway need not choose the one right success."""
    home.script.once(Behaviour(status=status))

    assert isinstance(gateway.send(TEXT), Accepted)


def test_a_message_that_is_sent_again_is_taken_once(home: JsonGateway, gateway: JsonPostGateway) -> None:
    """After a lost answer the same id gives the same message, and the phone rings once."""
    home.script.once(behaviour.accept_then_cut())

    first, second = gateway.send(TEXT), gateway.send(TEXT)

    (taken,) = home.journal.entries()
    assert isinstance(first, Unknown)
    assert second == Accepted(taken.sid)


@pytest.mark.parametrize(
    ("answer", "blame", "code"),
    [
        *[pytest.param(problem(400, code), blame, code, id=code) for code, blame in BLAME_BY_CODE.items()],
        pytest.param(problem(401), Blame.GATEWAY, "http-401", id="status-401-alone"),
        pytest.param(problem(404), Blame.GATEWAY, "http-404", id="status-404-alone"),
        pytest.param(problem(429), Blame.THROTTLED, "http-429", id="status-429-alone"),
        pytest.param(problem(400), Blame.TRANSIENT, "http-400", id="no-reason-given"),
        pytest.param(behaviour.redirect("/elsewhere", 308), Blame.GATEWAY, "http-308", id="moved"),
    ],
)
def test_a_refusal_says_what_it_is_about(
    home: JsonGateway, gateway: JsonPostGateway, answer: Behaviour, blame: Blame, code: str
) -> None:
    """A 4xx or a permanent redirect is a refusal with its blame and code, and nothing was taken."""
    home.script.once(answer)

    outcome = gateway.send(TEXT)

    assert isinstance(outcome, Refused)
    assert (outcome.blame, outcome.code) == (blame, code)
    assert home.journal.entries() == ()


def test_an_unknown_code_is_loud_and_tried_again(
    home: JsonGateway, gateway: JsonPostGateway, caplog: pytest.LogCaptureFixture
) -> None:
    """No phone is written off because of a word that we do not know."""
    home.script.once(problem(400, "phone_is_wet"))

    outcome = gateway.send(TEXT)

    assert isinstance(outcome, Refused)
    assert (outcome.blame, outcome.code) == (Blame.TRANSIENT, "phone_is_wet")
    assert UNKNOWN_ERROR_CODE in [record.message for record in caplog.records if record.levelname == "ERROR"]


@pytest.mark.parametrize(
    ("asked", "seconds"),
    [("30", 30.0), ("3600", 3600.0), ("0", 0.0), ("soon", None), ("-5", None), ("", None)],
)
def test_a_throttled_text_comes_back_with_the_seconds_to_wait(
    home: JsonGateway, gateway: JsonPostGateway, asked: str, seconds: float | None
) -> None:
    """Retry-After is handed on as it was asked for; one that cannot be read is none."""
    home.script.once(problem(429, "too_fast", Retry_After=asked))

    outcome = gateway.send(TEXT)

    assert isinstance(outcome, Refused)
    assert (outcome.blame, outcome.retry_after_s) == (Blame.THROTTLED, seconds)


@pytest.mark.parametrize(
    ("answer", "taken"),
    [
        pytest.param(behaviour.accept_then_cut(), 1, id="line-cut-after-taking"),
        pytest.param(behaviour.stall(5, takes=True), 1, id="taken-and-no-answer"),
        pytest.param(behaviour.stall(5), 0, id="no-answer"),
        pytest.param(behaviour.drip(0.05), 1, id="answer-in-drips"),
        pytest.param(behaviour.broken(500, takes=True), 1, id="500-after-taking"),
        pytest.param(behaviour.broken(503), 0, id="503"),
        pytest.param(behaviour.html(), 0, id="page-for-people-with-200"),
        pytest.param(Behaviour(content='{"status": "queued"}'), 1, id="json-without-id"),
        pytest.param(Behaviour(content='{"id": 17}'), 1, id="id-that-is-no-text"),
        pytest.param(Behaviour(content='{"id": "two words"}'), 1, id="id-with-a-blank"),
        pytest.param(Behaviour(content='["id"]'), 1, id="a-list"),
        pytest.param(Behaviour(status=204, content=""), 1, id="204"),
        pytest.param(behaviour.huge(), 1, id="ten-megabytes"),
        pytest.param(behaviour.redirect("/elsewhere", 303), 0, id="see-other"),
    ],
)
def test_whatever_may_have_been_taken_is_unknown_and_ends_in_time(
    home: JsonGateway, gateway: JsonPostGateway, answer: Behaviour, taken: int
) -> None:
    """From this side these look alike, taken or not; and none holds the sender longer than the limit."""
    home.script.once(answer)
    started = time.monotonic()

    outcome = gateway.send(TEXT)

    assert isinstance(outcome, Unknown)
    assert len(home.journal.entries()) == taken
    assert time.monotonic() - started < LIMITS.total_s + 0.5


def test_a_wrong_bearer_token_is_the_gateways_fault_and_takes_nothing(home: JsonGateway, opening: Opening) -> None:
    """The fake gateway checks the token as a real one must."""
    outcome = opening(token="another").send(TEXT)

    assert isinstance(outcome, Refused)
    assert (outcome.blame, outcome.code) == (Blame.GATEWAY, "unauthorized")
    assert home.journal.entries() == ()


def test_nobody_listening_is_a_refusal_since_nothing_was_sent(opening: Opening) -> None:
    """A phone that is off is certain not to have taken the text."""
    with JsonGateway() as gone:
        address = gone.base_url

    outcome = opening(base_url=address).send(TEXT)

    assert isinstance(outcome, Refused)
    assert (outcome.blame, outcome.code) == (Blame.TRANSIENT, "ConnectError")


def test_a_text_that_cannot_be_put_into_a_request_is_refused(home: JsonGateway, gateway: JsonPostGateway) -> None:
    """Half a surrogate pair has no encoding: an outcome comes back all the same, and nothing left."""
    outcome = gateway.send(replace(TEXT, body="out \ud83d"))

    assert isinstance(outcome, Refused)
    assert home.documents == []


def test_a_message_that_was_taken_is_found_by_our_id(home: JsonGateway, gateway: JsonPostGateway) -> None:
    """After an unknown outcome the gateway says that it was an acceptance, and under which id of its own."""
    home.script.once(behaviour.accept_then_cut())
    gateway.send(TEXT)

    found = gateway.look_up(TEXT, AT)

    assert found == Found(home.journal.entries()[0].sid)
    assert home.asked == ["m/1 a"]


def test_a_message_that_was_never_taken_is_not_found(gateway: JsonPostGateway) -> None:
    """Only the gateway's own word for it counts: 404 with the code not_found."""
    assert gateway.look_up(TEXT, AT) == NotFound()


@pytest.mark.parametrize(
    "answer",
    [
        pytest.param(problem(404), id="404-without-code"),
        pytest.param(replace(behaviour.html(), status=404), id="404-of-a-page-for-people"),
        pytest.param(behaviour.html(), id="page-for-people-with-200"),
        pytest.param(Behaviour(status=200, content="{}"), id="200-without-id"),
        pytest.param(behaviour.broken(500), id="500"),
        pytest.param(problem(401, "unauthorized"), id="401"),
        pytest.param(problem(410, "not_found"), id="410"),
        pytest.param(behaviour.stall(5), id="no-answer"),
        pytest.param(Behaviour(status=200, drip_s=0.05), id="answer-in-drips"),
        pytest.param(behaviour.accept_then_cut(), id="line-cut"),
        pytest.param(Behaviour(status=200, padding_bytes=10 * 1024 * 1024), id="ten-megabytes"),
    ],
)
def test_an_answer_that_cannot_be_relied_upon_tells_nothing(
    home: JsonGateway, gateway: JsonPostGateway, answer: Behaviour
) -> None:
    """Neither found nor not found, and never longer than the limit."""
    home.lookups = answer
    started = time.monotonic()

    assert isinstance(gateway.look_up(TEXT, AT), CannotTell)
    assert time.monotonic() - started < LIMITS.total_s + 0.5


def test_no_list_of_texts_is_to_be_had(gateway: JsonPostGateway) -> None:
    """What it could not post it posts again by itself."""
    assert gateway.recent_texts(AT, AT) is None


def test_receipts_are_expected_as_the_settings_say(opening: Opening) -> None:
    """A phone that hears nothing back from its carrier is set up without receipts."""
    assert opening().sends_receipts
    assert not opening(sends_receipts=False).sends_receipts


def test_the_check_asks_for_a_message_that_nobody_sent(home: JsonGateway, opening: Opening) -> None:
    """For the doctor: nothing wrong with one that answers, words for a token that it does not take."""
    assert opening().check() is None
    assert "401" in (opening(token="wrong").check() or "")
    assert home.documents == []
