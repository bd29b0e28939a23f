"""The lock files pin everything, name no place, and agree with each other."""

from __future__ import annotations

import re
import tomllib

import pytest

from tests.rules.source import ROOT

LOCKS = ("requirements.lock", "requirements-dev.lock")
PIN = re.compile(r"^([a-z0-9][a-z0-9._-]*)==(\S+)", re.MULTILINE)


def lock(name: str) -> str:
    """The text of one lock file."""
    return (ROOT / "deploy" / name).read_text(encoding="utf-8")


def pins(name: str) -> dict[str, str]:
    """Package to version."""
    return dict(PIN.findall(lock(name)))


def declared(*extras: str) -> set[str]:
    """Names that pyproject.toml asks for, as the lock spells them."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wishes = [*project["dependencies"]]
    for extra in extras:
        wishes += project["optional-dependencies"][extra]
    return {re.split(r"[\[<>=!~; ]", wish, maxsplit=1)[0].lower() for wish in wishes}


@pytest.mark.parametrize("name", LOCKS)
def test_every_pin_has_hashes(name: str) -> None:
    """Each package is followed by at least one hash before the next begins."""
    blocks = re.split(r"^(?=\S+==)", lock(name), flags=re.MULTILINE)[1:]

    assert len(blocks) > 40
    assert [block.split()[0] for block in blocks if "--hash=sha256:" not in block] == []


@pytest.mark.parametrize("name", LOCKS)
def test_a_lock_names_no_place_to_fetch_from(name: str) -> None:
    """No address, no path and no option but the hashes: each machine fetches from where it is set up to."""
    text = lock(name)

    assert "://" not in text
    assert set(re.findall(r"(?<!\S)--?[a-z-]+", text)) <= {"--hash", "-c"}
    assert re.findall(r"(?<!\S)/\S+", text) == []


def test_the_lock_for_work_holds_every_pin_of_the_lock_for_running() -> None:
    """Tests run on exactly what is run."""
    assert pins("requirements.lock").items() <= pins("requirements-dev.lock").items()


def test_what_the_project_asks_for_is_locked() -> None:
    """Every dependency in pyproject.toml is pinned in the lock that serves it."""
    assert declared("build") <= set(pins("requirements.lock"))
    assert declared("build", "dev") <= set(pins("requirements-dev.lock"))
