"""The doctor has a line for each thing, and fails when one is not as it must be."""

from __future__ import annotations

import json
import os
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import pytest
from sqlalchemy import update

from service.operations.canary_dive import set_number
from service.operations.snapshotting import HEARTBEAT
from service.store import health
from service.store.tables import AdminRow
from service.store.tables.club import ClubRow
from tests.cli.conftest import GATEWAY, Run
from tests.fakes.gateway import ACCOUNT, FakeGateway
from tests.fakes.gateway import TOKEN as FORM_TOKEN
from tests.fakes.json_gateway import SECRET, TOKEN, JsonGateway
from tests.fakes.mail_server import MailServer
from tests.operations.stage import ANNA, CLUB, FINN, staged
from tests.operations.test_own_numbers_answered import second_club
from tests.servers.broker import Broker

SHORE = {"name": "one", "kind": "form-post", "account": ACCOUNT, "token": FORM_TOKEN, "sender": "+447700900500"}
MAIL = {"name": "mail", "kind": "smtp", "host": "127.0.0.1", "security": "none", "sender": "alerts@dives.example.org"}
HOME = {"name": "boathouse", "kind": "json-post", "token": TOKEN, "secret": SECRET, "sender": "+447700900400"}


def lines(output: str) -> dict[str, str]:
    """The thing that was looked at, to ok or FAIL."""
    return {line[5:].partition(":")[0]: line[:4].strip() for line in output.splitlines()}


def test_a_whole_installation_has_no_fault(
    run: Run, environment: dict[str, str], broker: Broker, tmp_path: Path
) -> None:
    """Database, schema, club, broker, clock and gateway are there: all lines ok, exit status 0."""
    with staged(environment["DATABASE_URL"]), FakeGateway() as gateway:
        gateways, spool = json.dumps([SHORE | {"base_url": gateway.base_url}]), str(tmp_path / "spool")
        result = run("doctor", BROKER_URL=broker.url, GATEWAYS=gateways, SPOOL_DIR=spool)

    assert lines(result.output) == dict.fromkeys(
        [
            *(
                "settings",
                "versions",
                "database",
                "schema",
                "clubs",
                "senders",
                "texts in",
                "recovery",
                "broker",
                "clock",
                "processes",
                "spool",
                "snapshot",
                "canary dive",
                "gateways",
            ),
            *("gateway one", "state of one", "public address"),
        ],
        "ok",
    )
    assert result.exit_code == 0


def test_each_thing_that_is_missing_fails_by_itself(run: Run) -> None:
    """Neither schema nor club nor broker nor gateway: each has its line, the others go on."""
    result = run("doctor")

    found = lines(result.output)
    assert [name for name, mark in found.items() if mark == "FAIL"] == [
        *(
            "schema",
            "clubs",
            "senders",
            "texts in",
            "recovery",
            "broker",
            "processes",
            "snapshot",
            "canary dive",
            "gateway one",
        ),
        "state of one",
    ]
    assert found["database"] == "ok"
    assert result.exit_code == 1


@pytest.mark.parametrize(("age_s", "mark"), [(25, "ok"), (31, "FAIL")])
def test_a_snapshot_that_is_too_old_is_a_finding(
    run: Run, environment: dict[str, str], tmp_path: Path, age_s: int, mark: str
) -> None:
    """Half a minute is promised, of which looking takes a moment; without a directory for it there is none at all."""
    spool = str(tmp_path / "spool")
    with staged(environment["DATABASE_URL"]) as stage:
        assert lines(run("doctor", SPOOL_DIR=spool).output)["snapshot"] == "ok"
        stage.service.write(lambda session: health.beat(session, "keeper", datetime.now(UTC)))
        assert "snapshot: a keeper has run and none was ever written" in run("doctor", SPOOL_DIR=spool).output
        at = datetime.now(UTC) - timedelta(seconds=age_s)
        stage.service.write(lambda session: health.beat(session, HEARTBEAT, at, "2 dives"))
        assert lines(run("doctor", SPOOL_DIR=spool).output)["snapshot"] == mark
        assert lines(run("doctor", SPOOL_DIR=None).output)["snapshot"] == "FAIL"


@pytest.mark.parametrize(
    ("more", "found"),
    [
        ({"prefixes": ["+44"]}, None),
        ({"prefixes": ["+353", "+33"]}, f"texts to an admin of {CLUB} (...{FINN[-3:]})"),
        ({"for": ["distress", "alert"], "name": "urgent"}, None),
    ],
    ids=["its country", "another country", "a second one"],
)
def test_a_phone_of_an_admin_that_no_gateway_serves_is_a_finding(
    run: Run, environment: dict[str, str], more: dict[str, object], found: str | None
) -> None:
    """By a slip in `prefixes` nobody of that country would hear anything, and no admin of that."""
    entry = SHORE | {"base_url": "http://127.0.0.1:1"} | more
    entries = [entry, SHORE | {"base_url": "http://127.0.0.1:1"}] if "for" in more else [entry]
    with staged(environment["DATABASE_URL"]):
        result = run("doctor", GATEWAYS=json.dumps(entries))

    assert lines(result.output)["clubs"] == ("FAIL" if found else "ok")
    assert (found or CLUB) in result.output


def test_a_kind_of_text_that_no_gateway_takes_there_is_a_finding(run: Run, environment: dict[str, str]) -> None:
    """Each kind has a gateway, and the calm ones none for this country."""
    here = SHORE | {"base_url": "http://127.0.0.1:1", "for": ["distress", "alert", "stand_down", "reply"]}
    abroad = SHORE | {"base_url": "http://127.0.0.1:1", "name": "abroad", "prefixes": ["+353"]}
    with staged(environment["DATABASE_URL"]):
        result = run("doctor", GATEWAYS=json.dumps([here, abroad]))

    assert f"FAIL clubs: no gateway is for reminder and start_notice and other to an admin of {CLUB}" in result.output


@pytest.mark.parametrize(
    ("last", "mark"), [(None, "ok"), ("one that is signed", "ok"), ("one that is not", "FAIL"), ("of days ago", "ok")]
)
def test_a_gateway_whose_last_text_was_refused_is_a_finding(
    run: Run, environment: dict[str, str], last: str | None, mark: str
) -> None:
    """A token that was changed at the provider makes us deaf, and nothing else shows it."""
    with staged(environment["DATABASE_URL"]) as stage:
        stage.clock.at = datetime.now(UTC) - (timedelta(days=2) if last == "of days ago" else timedelta(hours=1))
        if last is not None:
            stage.receive(ANNA, "OUT", authentic=False)
        if last == "one that is signed":
            stage.receive(ANNA, "status")
        result = run("doctor")

    assert lines(result.output)["texts in"] == mark
    assert ("the last one was refused, as not signed by its gateway: first" in result.output) == (mark == "FAIL")


@pytest.mark.parametrize(("ahead_s", "mark"), [(4, "ok"), (3600, "FAIL")])
def test_a_clock_behind_what_was_seen_before_is_a_finding(
    run: Run, environment: dict[str, str], ahead_s: int, mark: str
) -> None:
    """Either this machine's is behind, or another one was ahead; a person has to say which."""
    with staged(environment["DATABASE_URL"]) as stage:
        at = datetime.now(UTC) + timedelta(seconds=ahead_s)
        stage.service.write(lambda session: health.beat(session, "sweep", at))
        result = run("doctor")

    assert lines(result.output)["clock"] == mark
    assert ("s less than what was seen before" in result.output) == (mark == "FAIL")


@pytest.mark.parametrize(("ago_h", "mark"), [(1, "ok"), (26, "FAIL")])
def test_a_day_without_a_canary_dive_is_a_finding(run: Run, environment: dict[str, str], ago_h: int, mark: str) -> None:
    """Twenty-six hours after the club has got a number for it."""
    with staged(environment["DATABASE_URL"]) as stage:
        stage.clock.at = datetime.now(UTC) - timedelta(hours=ago_h)
        stage.service.write(lambda session: set_number(stage.service, session, CLUB, "+447700900888"))
        result = run("doctor")

    assert lines(result.output)["canary dive"] == mark
    said = "the first is still to come" if mark == "ok" else "none was started for 26 h"
    assert f"canary dive: {CLUB}: {said}" in result.output


@pytest.mark.parametrize(
    ("sweep_s", "keeper_s", "canary_s", "words"),
    [
        (None, None, None, "none has run yet"),
        (5, 5, 5, "signs of life of sweep, keeper, beat, broker and workers"),
        (90, 5, 5, "no sign of life within 45 s: sweep:"),
        (5, 90, 5, "no sign of life within 45 s: keeper:"),
        (5, None, 5, "no sign of life within 45 s: keeper:"),
        (5, 5, 90, "no sign of life within 45 s: beat, broker and workers:"),
        (900, 900, 900, "no sign of life within 45 s: sweep, keeper, beat, broker and workers:"),
    ],
)
def test_a_process_that_gives_no_sign_of_life_is_a_finding(
    run: Run,
    environment: dict[str, str],
    sweep_s: float | None,
    keeper_s: float | None,
    canary_s: float | None,
    words: str,
) -> None:
    """One that never started, as by a slip in its unit, would be missed only by who needs it."""
    now = datetime.now(UTC)
    with staged(environment["DATABASE_URL"]) as stage:
        for name, age_s in (("sweep", sweep_s), ("keeper", keeper_s)):
            if age_s is not None:
                left = partial(health.beat, name=name, at=now - timedelta(seconds=age_s))
                stage.service.write(left)
        if canary_s is not None:
            sent = partial(health.send_canary, now=now - timedelta(seconds=canary_s))
            number = stage.service.write(sent)
            stage.service.write(partial(health.return_canary, canary_id=number, now=now))
        output = run("doctor").output

    assert lines(output)["processes"] == ("FAIL" if "no sign" in words else "ok")
    assert f"processes: {words}" in output


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("aside/1-a.sealed", "1 files that"),
        ("keeper/journal-x.aside", "1 files that"),
        ("1-a.sealed", "1 files wait"),
        ("lock", "nothing waits"),
    ],
)
def test_what_lies_in_the_spool_and_is_in_no_database_is_a_finding(
    run: Run, environment: dict[str, str], tmp_path: Path, name: str, words: str
) -> None:
    """It may be somebody's SOS, and nobody else would say so for long."""
    left = tmp_path / "spool" / name
    left.parent.mkdir(parents=True)
    left.write_bytes(b"sealed")
    os.utime(left, (left.stat().st_atime, left.stat().st_mtime - 90))
    with staged(environment["DATABASE_URL"]):
        output = run("doctor", SPOOL_DIR=str(tmp_path / "spool")).output

    assert lines(output)["spool"] == ("ok" if words == "nothing waits" else "FAIL")
    assert f"spool: {words}" in output


NOBODY_HEARS = "no admin with a phone that takes our texts, so nobody hears of a fault, nor that no contact answers"


def test_a_club_whose_admins_have_no_phone_is_a_finding(run: Run, environment: dict[str, str]) -> None:
    """Nobody would hear of a fault, nor that no contact answers."""
    with staged(environment["DATABASE_URL"]) as stage:
        stage.service.write(lambda session: session.execute(update(AdminRow).values(phone=None)))
        output = run("doctor").output

    assert lines(output)["clubs"] == "FAIL"
    assert f"clubs: {NOBODY_HEARS}: {CLUB}" in output


def test_a_club_whose_only_admin_opted_out_is_a_finding(run: Run, environment: dict[str, str]) -> None:
    """STOP to a text of an exercise is a word for all that would come."""
    with staged(environment["DATABASE_URL"]) as stage:
        stage.text(FINN, "STOP")
        output = run("doctor").output

    assert lines(output)["clubs"] == "FAIL"
    assert f"clubs: {NOBODY_HEARS}: {CLUB}" in output


def test_a_club_without_a_rescue_call_is_a_finding(run: Run, environment: dict[str, str]) -> None:
    """Its alarms would tell contacts to call rescue, and not whom."""
    with staged(environment["DATABASE_URL"]) as stage:
        assert lines(run("doctor").output)["clubs"] == "ok"
        stage.service.write(lambda session: session.execute(update(ClubRow).values(rescue_call=" ")))
        result = run("doctor")

    assert lines(result.output)["clubs"] == "FAIL"
    assert f"an alarm names nobody to call: set it at the desk: {CLUB}" in result.output


@pytest.mark.parametrize(
    ("clubs_there", "given", "mark", "said"),
    [
        (1, {}, "ok", "what is texted to +447700900400 is heard as to +447700900500"),
        (2, {}, "FAIL", "no club hears what is texted to +...400: give gateway boathouse the receiving_number"),
        (2, {"receiving_number": "+447700900600"}, "ok", "+447700900400 is heard as to +447700900600"),
        (2, {"receiving_number": "+447700900500"}, "FAIL", "no gateway sends from a number of the club with +...600"),
        (1, {"receiving_number": "+447700900999"}, "FAIL", "gateway boathouse has receiving_number +...999, but"),
    ],
    ids=["the only club", "one of two clubs", "the club that is named", "the other has none", "no such club"],
)
def test_a_sender_whose_answers_no_club_hears_is_a_finding(
    run: Run, environment: dict[str, str], clubs_there: int, given: dict[str, str], mark: str, said: str
) -> None:
    """The line names the gateway and what to set."""
    home = HOME | {"base_url": "http://127.0.0.1:9"} | given
    with staged(environment["DATABASE_URL"]) as stage:
        if clubs_there > 1:
            second_club(stage)
        result = run("doctor", GATEWAYS=json.dumps([*json.loads(GATEWAY % 1), home]))

    assert lines(result.output)["senders"] == mark
    assert said in next(line for line in result.output.splitlines() if "senders:" in line)


def test_missing_settings_are_a_finding(run: Run) -> None:
    """The doctor names the setting and stops there, since nothing else can be looked at."""
    result = run("doctor", DATABASE_URL=None)

    assert result.output.splitlines() == [
        "FAIL settings: LINETENDER_DATABASE_URL is not set: there is no default outside the demo"
    ]
    assert result.exit_code == 1


def test_unreadable_gateways_are_a_finding(run: Run) -> None:
    """The line has the gateway and the key, and no secret."""
    result = run("doctor", GATEWAYS=(GATEWAY % 1).replace("AC1", "no account"))

    assert lines(result.output)["gateways"] == "FAIL"
    assert "t0ken-of-tests" not in result.output


@pytest.mark.postgres
def test_a_real_database_is_looked_over(run: Run, postgres_url: str, broker: Broker) -> None:
    """PostgreSQL's durability and clock have their lines."""
    with staged(postgres_url):
        result = run("doctor", DATABASE_URL=postgres_url, BROKER_URL=broker.url)

    found = lines(result.output)
    assert (found["database"], found["schema"], found["clock"]) == ("ok", "ok", "ok")


@pytest.mark.parametrize(("answers", "mark"), [(True, "ok"), (False, "FAIL")])
def test_a_mail_server_is_signed_in_to(run: Run, answers: bool, mark: str) -> None:  # noqa: FBT001 - a parameter of pytest
    """So that a wrong password is found before the night on which it matters."""
    with MailServer() as server:
        entry = MAIL | {"port": server.port if answers else 9}
        result = run("doctor", GATEWAYS=json.dumps([*json.loads(GATEWAY % 1), entry]))

    assert lines(result.output)["gateway mail"] == mark


@pytest.mark.parametrize(
    ("token", "words"),
    [
        (FORM_TOKEN, "ok   gateway one: reached, in clear text, and does not refuse our account and token"),
        ("another", "FAIL gateway one: HTTP 401: refused"),
    ],
)
def test_a_wrong_token_is_found_before_anybody_dives(run: Run, token: str, words: str) -> None:
    """With one gateway nobody could be told by text that it lets us send nothing; and nothing is sent to find out."""
    with FakeGateway() as gateway:
        entry = SHORE | {"base_url": gateway.base_url, "token": token}
        result = run("doctor", GATEWAYS=json.dumps([entry]))
        sent = gateway.journal.entries()

    assert words in result.output.splitlines()
    assert not sent


@pytest.mark.parametrize(("token", "mark"), [(TOKEN, "ok"), ("another", "FAIL")])
def test_a_home_made_gateway_is_asked(run: Run, token: str, mark: str) -> None:
    """So that a wrong token is found before the night on which it matters; nothing is sent."""
    with JsonGateway() as home:
        entry = HOME | {"base_url": home.base_url, "token": token}
        result = run("doctor", GATEWAYS=json.dumps([entry]))

    assert lines(result.output)["gateway boathouse"] == mark
    assert home.documents == []


def test_a_home_made_gateway_that_is_half_set_up_is_a_finding(run: Run) -> None:
    """The line has the gateway and the key, and no secret."""
    result = run("doctor", GATEWAYS=json.dumps([HOME | {"base_url": "http://127.0.0.1:9", "secret": "whsec_short"}]))

    assert "FAIL gateways: LINETENDER_GATEWAYS: gateway boathouse: secret must be whsec_ and then" in result.output
    assert "whsec_short" not in result.output


def test_a_mistyped_setting_is_a_finding(run: Run, environment: dict[str, str]) -> None:
    """Its default holds, and nobody would know."""
    with staged(environment["DATABASE_URL"]):
        result = run("doctor", SPOOLDIR="/var/lib/linetender/spool")

    assert "FAIL settings: nobody reads LINETENDER_SPOOLDIR: mistyped?" in result.output
    assert lines(result.output)["database"] == "ok"
