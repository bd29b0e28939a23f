"""A process says at its start which of the numbers that its gateways send from would be heard by nobody."""

from __future__ import annotations

import json
import logging
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import pytest
from click import Command, Context

from service.cli import processes, serving, starting
from service.cli.opening import opened
from service.cli.starting import say_unheard
from service.operations.gateway import OwnNumber
from service.settings import PREFIX, read_settings
from service.store.engine import open_engine
from tests.cli.conftest import GATEWAY, Run
from tests.cli.test_doctor import HOME
from tests.operations.stage import OURS, Stage, staged
from tests.operations.test_own_numbers_answered import SECOND, second_club

BOTH = json.dumps([*json.loads(GATEWAY % 1), HOME | {"base_url": "http://127.0.0.1:9"}])


class StartedError(Exception):
    """The process would serve now."""


@pytest.fixture
def stage(environment: dict[str, str]) -> Iterator[Stage]:
    """Two clubs in the database of the environment."""
    with staged(environment["DATABASE_URL"]) as stage:
        second_club(stage)
        yield stage


def unheard(caplog: pytest.LogCaptureFixture) -> list[str]:
    """The gateways that the log names as heard by nobody."""
    found = [one for one in caplog.records if one.getMessage() == "sender_not_heard"]
    assert {one.levelno for one in found} <= {logging.ERROR}
    return [str(vars(one)["gateway"]) for one in found]


def test_a_number_that_no_club_hears_is_an_error(stage: Stage, caplog: pytest.LogCaptureFixture) -> None:
    """The log has the gateway, and no number."""
    stage.sends_from(OwnNumber("one", OURS), OwnNumber("boathouse", SECOND))

    say_unheard(stage.service)

    assert unheard(caplog) == ["boathouse"]
    assert SECOND not in caplog.text


def test_numbers_that_are_heard_are_no_error(stage: Stage, caplog: pytest.LogCaptureFixture) -> None:
    """The club's own, and one whose club is named."""
    stage.sends_from(OwnNumber("one", OURS), OwnNumber("boathouse", SECOND, OURS))

    say_unheard(stage.service)

    assert unheard(caplog) == []


def test_a_database_that_is_gone_keeps_no_process_from_starting(stage: Stage, caplog: pytest.LogCaptureFixture) -> None:
    """Nobody can say then who hears what; that is logged, and nothing is raised."""
    say_unheard(replace(stage.service, engine=open_engine("sqlite:////no/such/directory/x.db")))

    assert "senders_not_checked" in caplog.text


@pytest.mark.parametrize(
    ("command", "module", "goes_on_by"),
    [("web", serving, "drain_quietly"), ("worker", processes, "run_workers"), ("keeper", processes, "Keeper")],
    ids=["web", "worker", "keeper"],
)
@pytest.mark.usefixtures("stage")
def test_each_process_says_so_before_it_works(
    run: Run, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, command: str, module: ModuleType, goes_on_by: str
) -> None:
    """Of all the numbers in its settings; the keeper in a thread of its own, which never waits for the database."""
    said: list[tuple[OwnNumber, ...]] = []

    def started(*_: object, **__: object) -> None:
        raise StartedError

    monkeypatch.setattr(module, "say_unheard", lambda service: said.append(service.own_numbers))
    monkeypatch.setattr(starting, "set_up_logging", lambda _: None)
    monkeypatch.setattr(module.signal, "signal", lambda *_: None)
    monkeypatch.setattr(module, goes_on_by, started)
    with pytest.raises(StartedError):
        run(command, GATEWAYS=BOTH, SPOOL_DIR=str(tmp_path / "spool"))

    assert said == [(OwnNumber("one", OURS), OwnNumber("boathouse", SECOND))]


def test_gateways_that_cannot_be_read_have_no_numbers(
    environment: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A command that needs none goes on without them."""
    for name, value in (environment | {"GATEWAYS": "[]"}).items():
        monkeypatch.setenv(PREFIX + name, value)
    settings = read_settings({PREFIX + name: value for name, value in (environment | {"GATEWAYS": "[]"}).items()})
    with Context(Command("doctor")):
        assert opened(settings, "doctor").own_numbers == ()
