"""Setting up an installation from the command line."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import argon2
import pytest
from sqlalchemy.orm import Session

from service.operations.links import hash_token
from service.store import admin_sessions, admins, clubs, log, schema, second_factors, tokens
from service.store.engine import open_engine, reading, writing
from tests.cli.conftest import GATEWAY, Run
from tests.cli.test_doctor import HOME
from tests.servers.migrated import lay_migrated

CLUB = (
    *("club", "create", "--id", "skerry-bay", "--name", "Skerry Bay Divers", "--country", "GB"),
    *("--zone", "Europe/London", "--receiving-number", "07700 900500", "--rescue-call", "07700 900999 (practice)"),
)
ADMIN = ("admin", "create", "--name", "Finn Aske", "--email", "Finn@Example.Invalid", "--phone", "07700 900021")
PASSWORD = "kelp and shingle"


@contextmanager
def looking(environment: dict[str, str]) -> Iterator[Session]:
    """The database of the settings, to look into."""
    engine = open_engine(environment["DATABASE_URL"])
    with reading(engine) as session:
        yield session
    engine.dispose()


@pytest.fixture
def ready(run: Run, environment: dict[str, str]) -> Run:
    """A command line on a database with one club."""
    lay_migrated(environment["DATABASE_URL"])
    assert run(*CLUB).exit_code == 0
    return run


def test_a_migration_that_others_are_in_the_way_of_says_so(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """One plain line, and exit status 1."""

    def held(*_: object) -> None:
        raise schema.HeldError("others hold tables of the database (pg_dump)")

    monkeypatch.setattr(schema, "migrate", held)

    result = run("migrate")

    assert (result.exit_code, result.stderr) == (1, "linetender: others hold tables of the database (pg_dump)\n")


def test_a_club_has_what_was_given(ready: Run, environment: dict[str, str]) -> None:
    """National numbers are read as of its country, and its beginning is in its log."""
    with looking(environment) as session:
        club = clubs.get(session, "skerry-bay")
        entries = log.entries(session, log.club_chain("skerry-bay"))

    assert club is not None
    assert (club.receiving_number, club.zone) == ("+447700900500", "Europe/London")
    assert [entry.kind for entry in entries] == ["club_created"]


@pytest.mark.parametrize(
    ("option", "value"),
    [
        ("--id", "Skerry Bay"),
        ("--name", " "),
        ("--name", "n" * 61),
        ("--country", "gb"),
        ("--country", "XX"),
        ("--zone", "Skerry/Bay"),
        ("--receiving-number", "12"),
        ("--rescue-call", ""),
        ("--rescue-call", " \n"),
        ("--rescue-call", "9" * 61),
    ],
)
def test_a_club_with_a_wrong_value_is_refused(option: str, value: str, run: Run, environment: dict[str, str]) -> None:
    """The option that is wrong is named."""
    lay_migrated(environment["DATABASE_URL"])
    arguments = list(CLUB)
    arguments[arguments.index(option) + 1] = value

    result = run(*arguments)

    assert result.exit_code == 2
    assert option in result.stderr


def test_what_a_club_says_in_its_texts_is_kept_on_one_line(run: Run, environment: dict[str, str]) -> None:
    """Name and rescue call go into every alarm."""
    run("migrate")
    arguments = list(CLUB)
    for option, value in (("--name", " Skerry  Bay "), ("--rescue-call", "Coastguard\n07700 900999 ")):
        arguments[arguments.index(option) + 1] = value

    assert run(*arguments).exit_code == 0

    with looking(environment) as session:
        club = clubs.get(session, "skerry-bay")
    assert club is not None
    assert (club.name, club.rescue_call) == ("Skerry Bay", "Coastguard 07700 900999")


def test_a_club_is_not_made_twice(ready: Run) -> None:
    """The second is one plain line."""
    result = ready(*CLUB)

    assert result.exit_code == 1
    assert "is there already" in result.stderr


def test_an_admin_types_the_password_twice(ready: Run, environment: dict[str, str]) -> None:
    """Only its hash is kept, and it is not shown."""
    result = ready(*ADMIN, typed=f"{PASSWORD}\n{PASSWORD}\n")

    with looking(environment) as session:
        admin = admins.by_email(session, "finn@example.invalid")
    assert result.exit_code == 0
    assert PASSWORD not in result.output
    assert admin is not None
    assert admin.phone == "+447700900021"
    assert argon2.PasswordHasher().verify(admin.password_hash, PASSWORD)


def test_two_different_passwords_make_no_admin(ready: Run, environment: dict[str, str]) -> None:
    """It asks again, and without an answer there is no admin."""
    result = ready(*ADMIN, typed=f"{PASSWORD}\nanother password\n")

    with looking(environment) as session:
        assert admins.by_email(session, "finn@example.invalid") is None
    assert result.exit_code == 1


@pytest.mark.parametrize(("password", "status"), [("elevenchars", 2), ("twelve chars", 0)])
def test_a_password_has_at_least_twelve_characters(ready: Run, tmp_path: Path, password: str, status: int) -> None:
    """Eleven are refused, twelve are taken; the file's first line counts."""
    file = tmp_path / "password"
    file.write_text(f"{password}\nmore\n", encoding="utf-8")

    assert ready(*ADMIN, "--password-file", str(file)).exit_code == status


def test_an_admin_is_not_made_twice(ready: Run) -> None:
    """The address is taken, in whatever case it is written."""
    ready(*ADMIN, typed=f"{PASSWORD}\n{PASSWORD}\n")

    result = ready(*ADMIN, typed=f"{PASSWORD}\n{PASSWORD}\n")

    assert result.exit_code == 1
    assert "is there already" in result.stderr


def test_a_token_is_shown_once_and_kept_as_a_hash(ready: Run, environment: dict[str, str]) -> None:
    """Standard output has the token and nothing else."""
    shown = ready("token", "create", "--name", "board script").output.strip()

    with looking(environment) as session:
        token = tokens.find(session, hash_token(shown))
    assert token is not None
    assert token.name == "board script"
    assert shown not in token.token_hash


def test_of_several_clubs_one_must_be_named(ready: Run) -> None:
    """It lists them; a name that nobody has is no better."""
    second = list(CLUB)
    second[second.index("--id") + 1] = "north-slip"
    second[second.index("--receiving-number") + 1] = "07700 900501"
    assert ready(*second).exit_code == 0

    for arguments in ((), ("--club", "east")):
        result = ready("token", "create", "--name", "x", *arguments)

        assert result.exit_code == 1
        assert "north-slip, skerry-bay" in result.stderr


def test_a_club_gets_a_canary_number_and_loses_it(ready: Run, environment: dict[str, str]) -> None:
    """A national number is read as of its country; both are in the club's log."""
    assert ready("club", "canary", "--number", "07700 900888").exit_code == 0
    with looking(environment) as session:
        club = clubs.get(session, "skerry-bay")
        assert club is not None
        assert club.canary_number == "+447700900888"

    assert "off" in ready("club", "canary", "--off").output

    with looking(environment) as session:
        club = clubs.get(session, "skerry-bay")
        entries = log.entries(session, log.club_chain("skerry-bay"))
    assert club is not None
    assert club.canary_number is None
    assert [entry.detail["number"] for entry in entries if entry.kind == "canary_number_set"] == [
        *("+447700900888", "none")
    ]


def test_an_admins_phone_is_no_number_that_divers_text_to(ready: Run) -> None:
    """Nobody would hear that an alarm was not answered."""
    made = ready(*ADMIN[:-1], "07700 900500", typed=f"{PASSWORD}\n{PASSWORD}\n")

    assert made.exit_code == 2
    assert "would text itself" in made.stderr


@pytest.mark.parametrize("typed", ["07700 900500", "07700 900400"], ids=["the club's own", "the second gateway's"])
def test_no_number_that_a_gateway_sends_from_is_an_admins_or_a_canarys(ready: Run, typed: str) -> None:
    """With two senders both are refused: a text of ours to either comes back to us."""
    home = HOME | {"base_url": "http://127.0.0.1:9"}
    both = json.dumps([*json.loads(GATEWAY % 1), home])

    made = ready(*ADMIN[:-1], typed, typed=f"{PASSWORD}\n{PASSWORD}\n", GATEWAYS=both)
    canary = ready("club", "canary", "--number", typed, GATEWAYS=both)

    assert (made.exit_code, canary.exit_code) == (2, 2)
    assert "would text itself" in made.stderr
    assert "would text itself" in canary.stderr


@pytest.mark.parametrize(
    "options",
    [(), ("--number", "07700 900888", "--off"), ("--number", "12"), ("--number", "07700 900500")],
    ids=["neither", "both", "no number", "the receiving number"],
)
def test_a_canary_number_that_cannot_be_is_refused(ready: Run, options: tuple[str, ...]) -> None:
    """The number that divers text to would answer itself for ever."""
    assert ready("club", "canary", *options).exit_code == 2


def test_an_admin_is_disabled_but_not_the_last_owner(ready: Run, environment: dict[str, str], tmp_path: Path) -> None:
    """The club keeps somebody who can invite others."""
    file = tmp_path / "password"
    file.write_text(f"{PASSWORD}\n", encoding="utf-8")
    ready(*ADMIN, "--password-file", str(file))
    ready(
        "admin",
        "create",
        "--name",
        "Ida",
        "--email",
        "ida@example.invalid",
        "--role",
        "viewer",
        "--password-file",
        str(file),
    )

    refused = ready("admin", "disable", "--email", "finn@example.invalid")
    done = ready("admin", "disable", "--email", "IDA@example.invalid")
    nobody = ready("admin", "disable", "--email", "ida@example.invalid")

    assert (refused.exit_code, done.exit_code, nobody.exit_code) == (1, 0, 1)
    assert "last owner" in refused.stderr
    assert "nobody in office" in nobody.stderr
    with looking(environment) as session:
        assert [(one.name, one.role) for one in admins.listing(session, "skerry-bay")] == [("Finn Aske", "owner")]


def test_an_admin_who_is_locked_out_is_let_in_again(ready: Run, environment: dict[str, str]) -> None:
    """By a new password, without second step, session or known browser; the log has it."""
    ready(*ADMIN, typed=f"{PASSWORD}\n{PASSWORD}\n")
    with looking(environment) as session:
        finn = admins.by_email(session, "finn@example.invalid")
    assert finn is not None
    engine = open_engine(environment["DATABASE_URL"])
    with writing(engine) as session:
        now = finn.created_at
        second_factors.begin(session, finn.id, "sealed", now)
        admin_sessions.add(session, token_hash="0" * 64, admin_id=finn.id, now=now, ends_at=now)
    engine.dispose()

    short = ready("admin", "reset", "--email", "finn@example.invalid", typed="short\nshort\n")
    done = ready("admin", "reset", "--email", "finn@example.invalid", typed="shingle under the tide\n" * 2)
    nobody = ready("admin", "reset", "--email", "ida@example.invalid")

    assert (short.exit_code, done.exit_code, nobody.exit_code) == (2, 0, 1)
    with looking(environment) as session:
        after = admins.by_email(session, "finn@example.invalid")
        assert after is not None
        assert argon2.PasswordHasher().verify(after.password_hash, "shingle under the tide")
        assert second_factors.get(session, finn.id) is None
        assert admin_sessions.listing(session, finn.id) == []
        assert log.entries(session, log.club_chain("skerry-bay"))[-1].kind == "admin_reset"
