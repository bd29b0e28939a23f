"""linetender capacity: what a sender can carry, in plain words."""

from __future__ import annotations

import pytest
from click.testing import CliRunner

from service.cli.commands import main


def run(*given: str) -> str:
    """What it prints; it must end well."""
    result = CliRunner().invoke(main, ["capacity", *given])
    assert result.exit_code == 0, result.output
    return result.output


def test_a_storm_that_is_too_much_for_the_sender_is_said_plainly() -> None:
    """How late the last first contact is, and which rate would do."""
    said = run("--dives", "200", "--contacts", "2", "--rate", "1")

    assert "first contact of the last dive is alerted          9 min 57 s" in said
    assert "The first contact of dive number 200 is alerted 9 min 57 s late." in said
    assert "with 10 segments" in said
    assert "reaches the last contact 19 min 57 s late" in said


def test_what_a_sender_can_carry_is_said_too() -> None:
    """A club of ordinary size has nothing to buy."""
    said = run("--dives", "10", "--contacts", "2", "--rate", "1", "--gateways", "2")

    assert "Every first contact is alerted within a minute." in said
    assert "late" not in said


@pytest.mark.parametrize("wrong", [("--dives", "0"), ("--contacts", "7"), ("--rate", "0"), ("--gateways", "0")])
def test_what_makes_no_sense_is_refused_by_name(wrong: tuple[str, str]) -> None:
    """With the bounds of that option."""
    usual = {"--dives": "10", "--contacts": "2", "--rate": "1"} | dict([wrong])

    result = CliRunner().invoke(main, ["capacity", *(part for pair in usual.items() for part in pair)])

    assert result.exit_code == 2
    assert f"Invalid value for '{wrong[0]}'" in result.output
