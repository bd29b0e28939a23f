"""The contract of a gateway, over real HTTP against the fake one, whose journal says what it took."""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import pytest

from service.gateways.exchange import Limits
from service.gateways.form_post import FormPostConfig, FormPostGateway
from service.operations.gateway import Accepted, Blame, Outgoing, Refused, Unknown
from tests.fakes import behaviour
from tests.fakes.behaviour import Behaviour
from tests.fakes.gateway import FakeGateway
from tests.gateways.conftest import LIMITS, PUBLIC_URL

OpenGateway = Callable[..., FormPostGateway]

CLEO = "+447700900123"
TEXT = Outgoing(to=CLEO, body="Skerry Bay Divers: Bram Vik is overdue. Ref 7K", reference="m-1")


def test_an_accepted_text_is_in_the_journal_under_the_id_we_were_given(
    fake: FakeGateway, gateway: FormPostGateway
) -> None:
    """What was accepted is what was sent, field by field, with the address for its receipt."""
    outcome = gateway.send(TEXT)

    (taken,) = fake.journal.entries()
    assert outcome == Accepted(taken.sid)
    assert (taken.to, taken.sender, taken.body) == (CLEO, fake.number, TEXT.body)
    assert taken.status_callback == f"{PUBLIC_URL}/inbound/shore/receipt"


def test_every_character_of_a_text_arrives(fake: FakeGateway, gateway: FormPostGateway) -> None:
    """Characters with a meaning in forms, and those beyond ASCII in the GSM alphabet, arrive unchanged."""
    body = "a+b&c=d %20 @ £$ éÄñ Ω [~] {|} \\ € \r\n 'x' \"y\""

    gateway.send(replace(TEXT, body=body))

    assert fake.journal.entries()[0].body == body


def test_no_receipt_is_asked_of_a_gateway_that_sends_none(fake: FakeGateway, open_gateway: OpenGateway) -> None:
    """A gateway without receipts gets no address for them."""
    gateway = open_gateway(sends_receipts=False)

    gateway.send(TEXT)

    assert not gateway.sends_receipts
    assert fake.journal.entries()[0].status_callback is None


@pytest.mark.parametrize(
    ("valid_for_s", "asked"),
    [(None, None), (900.0, "900"), (59.9, "59"), (0.2, "1"), (14_399.0, "14399"), (14_400.0, None), (40_000.0, None)],
)
def test_a_text_is_not_delivered_when_it_is_of_no_more_use(
    fake: FakeGateway, gateway: FormPostGateway, valid_for_s: float | None, asked: str | None
) -> None:
    """In whole seconds within what every server of this shape takes; an alarm for as long as it can."""
    gateway.send(replace(TEXT, valid_for_s=valid_for_s))

    assert fake.journal.entries()[0].valid_for == asked


@pytest.mark.parametrize(
    ("answer", "blame", "code"),
    [
        pytest.param(behaviour.refuse(400, 21211), Blame.NUMBER, "21211", id="bad-number"),
        pytest.param(behaviour.refuse(400, 21610), Blame.OPTED_OUT, "21610", id="opted-out"),
        pytest.param(behaviour.refuse(403), Blame.GATEWAY, "http-403", id="forbidden"),
        pytest.param(behaviour.redirect("/elsewhere", 307), Blame.GATEWAY, "http-307", id="moved"),
        pytest.param(behaviour.refuse(400, 30007), Blame.FILTERED, "30007", id="filtered"),
        pytest.param(behaviour.throttle("soon"), Blame.THROTTLED, "20429", id="too-fast"),
        pytest.param(behaviour.refuse(400), Blame.TRANSIENT, "http-400", id="no-reason-given"),
    ],
)
def test_a_refusal_says_what_it_is_about(
    fake: FakeGateway, gateway: FormPostGateway, answer: Behaviour, blame: Blame, code: str
) -> None:
    """A 4xx or a permanent redirect is a refusal with its blame and code, and nothing was taken."""
    fake.script.once(answer)

    outcome = gateway.send(TEXT)

    assert isinstance(outcome, Refused)
    assert (outcome.blame, outcome.code, outcome.retry_after_s) == (blame, code, None)
    assert fake.journal.entries() == ()


def test_a_throttled_text_comes_back_with_the_seconds_to_wait(fake: FakeGateway, gateway: FormPostGateway) -> None:
    """Retry-After is handed on as it was asked for, uncapped."""
    fake.script.once(behaviour.throttle("3600"))

    outcome = gateway.send(TEXT)

    assert isinstance(outcome, Refused)
    assert outcome.retry_after_s == 3600


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
        pytest.param(behaviour.without_sid(), 1, id="json-without-sid"),
        pytest.param(behaviour.huge(), 1, id="ten-megabytes"),
        pytest.param(behaviour.redirect("/elsewhere", 303), 0, id="see-other"),
        pytest.param(behaviour.redirect("/elsewhere", 302), 0, id="found"),
    ],
)
def test_whatever_may_have_been_taken_is_unknown_and_ends_in_time(
    fake: FakeGateway, gateway: FormPostGateway, answer: Behaviour, taken: int
) -> None:
    """From this side these look alike, taken or not; and none holds the sender longer than the limit."""
    fake.script.once(answer)
    started = time.monotonic()

    outcome = gateway.send(TEXT)

    assert isinstance(outcome, Unknown)
    assert len(fake.journal.entries()) == taken
    assert time.monotonic() - started < LIMITS.total_s + 0.5


def test_the_limit_of_the_whole_ends_what_never_pauses_long_enough(
    fake: FakeGateway, open_gateway: OpenGateway
) -> None:
    """A drip within every phase's limit is ended by the limit of the whole, even while headers arrive."""
    gateway = open_gateway(limits=replace(LIMITS, read_s=30.0, total_s=0.6))
    fake.script.once(behaviour.drip(0.1))
    started = time.monotonic()

    outcome = gateway.send(TEXT)

    assert isinstance(outcome, Unknown)
    assert 0.5 < time.monotonic() - started < 1.5


def test_a_refusal_whose_explanation_breaks_off_stays_a_refusal(fake: FakeGateway, gateway: FormPostGateway) -> None:
    """The status alone already says that nothing was taken."""
    fake.script.once(Behaviour(takes=False, status=401, content="{}", padding_bytes=10 * 1024 * 1024))

    outcome = gateway.send(TEXT)

    assert isinstance(outcome, Refused)
    assert (outcome.blame, outcome.code) == (Blame.GATEWAY, "http-401")


def test_after_any_fault_the_next_text_gets_through(fake: FakeGateway, gateway: FormPostGateway) -> None:
    """A broken exchange leaves nothing behind in the client that could break the next one."""
    faults = (behaviour.accept_then_cut(), behaviour.stall(5), behaviour.huge(), behaviour.html())
    for fault in faults:
        fake.script.once(fault)
        gateway.send(TEXT)

        assert isinstance(gateway.send(TEXT), Accepted)


def test_redirects_are_not_followed(fake: FakeGateway, gateway: FormPostGateway) -> None:
    """The place a redirect points to hears nothing, least of all our token."""
    with FakeGateway() as elsewhere:
        target = f"{elsewhere.base_url}/2010-04-01/Accounts/{elsewhere.account}/Messages.json"
        fake.script.once(behaviour.redirect(target, 307))

        gateway.send(TEXT)

        assert elsewhere.answered == []


def test_proxies_from_the_environment_are_ignored(
    fake: FakeGateway, open_gateway: OpenGateway, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A proxy variable left in a unit file must not carry alarms, and their token, to somewhere else."""
    with FakeGateway() as proxy:
        for variable in ("http_proxy", "HTTP_PROXY", "https_proxy", "all_proxy", "ALL_PROXY"):
            monkeypatch.setenv(variable, proxy.base_url)
        monkeypatch.delenv("no_proxy", raising=False)
        monkeypatch.delenv("NO_PROXY", raising=False)

        assert isinstance(open_gateway().send(TEXT), Accepted)

        assert proxy.answered == []
    assert len(fake.journal.entries()) == 1


def test_a_wrong_token_is_the_gateways_fault_and_takes_nothing(fake: FakeGateway, open_gateway: OpenGateway) -> None:
    """The fake gateway checks the login as a real one does."""
    outcome = open_gateway(token="another").send(TEXT)

    assert isinstance(outcome, Refused)
    assert (outcome.blame, outcome.code) == (Blame.GATEWAY, "20003")
    assert fake.journal.entries() == ()


def test_nobody_listening_is_a_refusal_since_nothing_was_sent(open_gateway: OpenGateway) -> None:
    """A refused connection is certain not to have taken the text."""
    with FakeGateway() as gone:
        address = gone.base_url

    outcome = open_gateway(base_url=address).send(TEXT)

    assert isinstance(outcome, Refused)
    assert (outcome.blame, outcome.code) == (Blame.TRANSIENT, "ConnectError")


def test_no_tls_at_the_other_end_is_a_refusal_since_nothing_was_sent(
    fake: FakeGateway, open_gateway: OpenGateway
) -> None:
    """The login and the text are sent after the TLS handshake, so a failed one took nothing."""
    outcome = open_gateway(base_url=fake.base_url.replace("http:", "https:")).send(TEXT)

    assert isinstance(outcome, Refused)
    assert outcome.blame is Blame.TRANSIENT
    assert fake.journal.entries() == ()


def test_a_text_that_cannot_be_put_into_a_request_is_refused(fake: FakeGateway, gateway: FormPostGateway) -> None:
    """Half a surrogate pair has no encoding: an outcome comes back all the same, and nothing left."""
    outcome = gateway.send(replace(TEXT, body="out \ud83d"))

    assert isinstance(outcome, Refused)
    assert fake.answered == []


def test_a_closed_gateway_gives_an_outcome_too(gateway: FormPostGateway) -> None:
    """Sending never raises, not even after close."""
    gateway.close()

    assert not isinstance(gateway.send(TEXT), Accepted)


def test_sixteen_threads_share_one_gateway(fake: FakeGateway, open_gateway: OpenGateway) -> None:
    """Many texts in flight at once: each is taken once, and each outcome belongs to its own text."""
    gateway = open_gateway(limits=Limits())
    texts = [Outgoing(CLEO, f"text {number}", str(number)) for number in range(160)]

    with ThreadPoolExecutor(max_workers=16) as pool:
        outcomes = list(pool.map(gateway.send, texts))

    sids = {taken.body: taken.sid for taken in fake.journal.entries()}
    assert outcomes == [Accepted(sids[text.body]) for text in texts]
    assert len(fake.journal.entries()) == len(texts)


def test_a_quick_exchange_on_one_thread_does_not_prolong_a_slow_one(
    fake: FakeGateway, open_gateway: OpenGateway
) -> None:
    """The deadline of an exchange is its own, whatever other threads do meanwhile."""
    gateway = open_gateway(limits=replace(LIMITS, read_s=5.0, total_s=1.0))
    fake.script.for_number("+447700900111", behaviour.drip(0.05))
    started = time.monotonic()

    with ThreadPoolExecutor(max_workers=1) as pool:
        slow = pool.submit(gateway.send, replace(TEXT, to="+447700900111"))
        time.sleep(0.3)
        outcome = gateway.send(TEXT)
        assert isinstance(slow.result(), Unknown)

    assert isinstance(outcome, Accepted)
    assert time.monotonic() - started < 3.0


def test_no_free_connection_is_a_refusal_since_nothing_was_sent(fake: FakeGateway, open_gateway: OpenGateway) -> None:
    """With every connection held by a stalled exchange, the next text is told so within its time."""
    gateway = open_gateway(limits=replace(LIMITS, connections_max=1, pool_s=0.1, read_s=1.0, total_s=1.0))
    fake.script.once(behaviour.stall(5))

    with ThreadPoolExecutor(max_workers=1) as pool:
        stalled = pool.submit(gateway.send, TEXT)
        time.sleep(0.3)
        outcome = gateway.send(TEXT)
        stalled.result()

    assert isinstance(outcome, Refused)
    assert (outcome.blame, outcome.code) == (Blame.TRANSIENT, "PoolTimeout")


def test_a_name_that_leads_into_the_private_network_is_not_connected_to(
    fake: FakeGateway, config: FormPostConfig
) -> None:
    """The address is checked when it is connected to, so a name that changes after start-up gains nothing."""
    named = replace(config, base_url=f"https://texts.example.org:{fake.port}")
    gateway = FormPostGateway(named, public_url=PUBLIC_URL, limits=LIMITS, resolve=lambda _host, _port: ["127.0.0.1"])

    outcome = gateway.send(TEXT)

    gateway.close()
    assert isinstance(outcome, Refused)
    assert outcome.blame is Blame.TRANSIENT
    assert "do not allow" in outcome.detail
    assert fake.answered == []


def test_a_name_server_that_never_answers_does_not_hold_the_sender(config: FormPostConfig) -> None:
    """The system's resolver has no time limit of its own that could be set; ours holds."""
    gateway = FormPostGateway(
        replace(config, base_url="https://texts.example.org"),
        public_url=PUBLIC_URL,
        limits=LIMITS,
        resolve=lambda _host, _port: time.sleep(2) or [],
    )
    started = time.monotonic()

    outcome = gateway.send(TEXT)

    gateway.close()
    assert isinstance(outcome, Refused)
    assert (outcome.blame, outcome.code) == (Blame.TRANSIENT, "ConnectTimeout")
    assert time.monotonic() - started < LIMITS.total_s + 0.5


def test_the_usual_limits_keep_the_promise_of_the_port() -> None:
    """The port promises an outcome within 12 s."""
    assert Limits().total_s <= 12


def test_the_token_is_not_in_what_a_config_prints(config: FormPostConfig) -> None:
    """A config that ends up in a log line or a trace gives no secret away."""
    printed = repr(replace(config, previous_token="older-secret"))

    assert config.token not in printed
    assert "older-secret" not in printed
