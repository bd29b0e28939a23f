"""A line for each gateway: how it stands and why, its last test, and what it did in a day."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy.orm import Session

from service.domain.delivery import ReceiptState
from service.operations.breaking import note
from service.operations.gateway import Accepted, Blame, Refused
from service.store import gateways
from tests.cli.conftest import Run
from tests.operations.stage import Stage, staged

ONE = {
    "name": "one",
    "kind": "form-post",
    "base_url": "http://127.0.0.1:1",
    "account": "AC1",
    "token": "t0ken-of-tests",
    "sender": "+447700900500",
}
TESTED = json.dumps([ONE | {"canary": "+447700900777"}])
BOTH = json.dumps([ONE | {"calls": True}, ONE | {"name": "two"}])


def refused(stage: Stage, name: str) -> None:
    """A gateway said just now that its account has no funds."""
    outcome = Refused(Blame.GATEWAY, "30002", "HTTP 400: no funds")
    stage.service.write(lambda session: note(stage.service, session, name, outcome, datetime.now(UTC)))


def canary_sent(stage: Stage, outcome: str, *, delivered: bool, ago: timedelta) -> None:
    """A test went through gateway one."""

    def work(session: Session) -> None:
        at = datetime.now(UTC) - ago
        number = gateways.begin_canary(session, "one", at)
        gateways.end_canary(session, number, outcome, None, None, "SM1")
        if delivered:
            gateways.note_canary_receipt(session, "one", "SM1", ReceiptState.DELIVERED, None, at)

    stage.service.write(work)


def test_a_gateway_that_was_never_used_works_as_far_as_is_known(run: Run, environment: dict[str, str]) -> None:
    """Each in its order, by kind and ways."""
    with staged(environment["DATABASE_URL"]):
        result = run("gateways", GATEWAYS=BOTH)

    assert result.output.splitlines() == [
        "one (form-post; call, text): working; not tested, no canary is set; nothing sent in 24 h",
        "two (form-post; text): working; not tested, no canary is set; nothing sent in 24 h",
    ]
    assert result.exit_code == 0


def test_a_gateway_that_rests_is_told_with_since_when_and_why(run: Run, environment: dict[str, str]) -> None:
    """And the exit status says that one is not well."""
    with staged(environment["DATABASE_URL"]) as stage:
        refused(stage, "two")
        result = run("gateways", GATEWAYS=BOTH)

    line = result.output.splitlines()[1]
    assert line.startswith("two (form-post; text): resting since 20")
    assert " UTC, 30002: HTTP 400: no funds; " in line
    assert result.exit_code == 1


@pytest.mark.parametrize(
    ("outcome", "delivered", "ago_s", "words", "status"),
    [
        ("accepted", True, 3_600, "went well", 0),
        ("accepted", False, 10, "waits for its receipt", 0),
        ("accepted", False, 3_600, "was accepted and not delivered", 1),
        ("refused", False, 10, "was not accepted", 1),
    ],
)
def test_the_last_test_is_told(
    run: Run, environment: dict[str, str], outcome: str, *, delivered: bool, ago_s: int, words: str, status: int
) -> None:
    """With its time and its end."""
    with staged(environment["DATABASE_URL"]) as stage:
        canary_sent(stage, outcome, delivered=delivered, ago=timedelta(seconds=ago_s))
        result = run("gateways", GATEWAYS=TESTED)

    assert f" UTC {words}; nothing sent in 24 h" in result.output
    assert result.exit_code == status


def test_a_gateway_that_is_to_be_tested_and_was_not_yet_says_so(run: Run, environment: dict[str, str]) -> None:
    """Before its first morning."""
    with staged(environment["DATABASE_URL"]):
        result = run("gateways", GATEWAYS=TESTED)

    assert "working; not tested yet; " in result.output


def test_the_doctor_fails_on_a_gateway_that_is_not_well(run: Run, environment: dict[str, str]) -> None:
    """In the same words."""
    with staged(environment["DATABASE_URL"]) as stage:
        refused(stage, "two")
        stage.service.write(lambda s: note(stage.service, s, "one", Accepted("SM1"), stage.clock.at))
        result = run("doctor", GATEWAYS=BOTH)

    assert "ok   state of one: working; not tested, no canary is set\n" in result.output
    assert "FAIL state of two: resting since " in result.output


def test_gateways_need_the_schema(run: Run) -> None:
    """One plain line says what to run."""
    result = run("gateways")

    assert "run linetender migrate" in result.output + result.stderr
    assert result.exit_code == 1
