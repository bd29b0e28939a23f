"""Running commands as a person would, each with settings of its own."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from service.cli import main
from service.settings import PREFIX

Run = Callable[..., Result]

GATEWAY = (
    '[{"name": "one", "kind": "form-post", "base_url": "http://127.0.0.1:%d", "account": "AC1", '
    '"token": "t0ken-of-tests", "sender": "+447700900500"}]'
)


@pytest.fixture
def environment(tmp_path: Path) -> dict[str, str]:
    """The settings of an installation whose broker and gateway are not there."""
    return {
        "DATABASE_URL": f"sqlite:///{tmp_path / 'linetender.db'}",
        "BROKER_URL": "redis://127.0.0.1:1/0",
        "SECRET_KEY": "k" * 64,
        "PUBLIC_URL": "http://127.0.0.1:8000",
        "GATEWAYS": GATEWAY % 1,
    }


@pytest.fixture
def run(environment: dict[str, str], monkeypatch: pytest.MonkeyPatch) -> Run:
    """A command line; `more` changes settings, None takes one away."""

    def run(*arguments: str, typed: str | None = None, **more: str | None) -> Result:
        for name, value in (environment | more).items():
            if value is None:
                monkeypatch.delenv(PREFIX + name, raising=False)
            else:
                monkeypatch.setenv(PREFIX + name, value)
        return CliRunner().invoke(main, list(arguments), input=typed, catch_exceptions=False)

    return run
