"""Setting up an installation: schema, clubs, admins, API tokens."""

from __future__ import annotations

import re
import secrets
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Final, NoReturn
from zoneinfo import available_timezones

import click
from sqlalchemy.exc import IntegrityError, SQLAlchemyError
from sqlalchemy.orm import Session

from service.cli.opening import does_not_answer, fail, opened, service_with_schema, settings_of_environment
from service.domain.phone import read_phone
from service.domain.sending import country_name
from service.operations.accounts import forget, is_last_owner
from service.operations.admin_roles import AdminRole
from service.operations.canary_dive import set_number
from service.operations.club_details import read_club_name, read_rescue_call
from service.operations.links import hash_token
from service.operations.own_numbers import texted_to
from service.operations.password_rules import unfit
from service.operations.service import Service
from service.store import admins, clubs, log, schema, tokens
from service.store.ownership import give_to_owner_of_directory
from service.store.passwords import hash_password

TOKEN_BYTES: Final = 24  # 192 random bits
_PASSWORD_FILE: Final = click.option(
    "--password-file",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="The password is its first line; without this you are asked for it twice.",
)
_CLUB_ID: Final = re.compile(r"[a-z0-9-]{2,30}")


@click.command()
def migrate() -> None:
    """Bring the database to the current schema. Safe to run at any time, also twice at once."""
    engine = opened(settings_of_environment(), "migrate").engine
    try:
        before = schema.current(engine)
    except SQLAlchemyError as error:
        fail(does_not_answer(error))
    fault = schema.fault_of(before)
    if fault is not None and before is not None and not schema.is_known(before):
        fail(fault)
    try:
        schema.migrate(engine)
    except schema.HeldError as held:
        fail(str(held))
    if before is None and engine.dialect.name == "sqlite":
        give_to_owner_of_directory(Path(engine.url.database or "").absolute())
    words = "is at" if before == schema.head() else f"went from {before or 'nothing'} to"
    click.echo(f"The database {words} schema {schema.head()}.")


@click.group()
def club() -> None:
    """Clubs: every dive, person and site belongs to one."""


@club.command("create")
@click.option("--id", "club_id", required=True, help="Short and for ever: a-z, 0-9 and hyphen.")
@click.option("--name", required=True, help="As its texts begin.")
@click.option("--country", required=True, help="Two letters, such as GB: how national phone numbers are read.")
@click.option("--zone", required=True, help="Such as Europe/London: whose time its texts give.")
@click.option("--receiving-number", required=True, help="The number that divers text to.")
@click.option("--rescue-call", required=True, help="Whom its contacts are told to call, with the number.")
def create_club(*, club_id: str, name: str, country: str, zone: str, receiving_number: str, rescue_call: str) -> None:
    """Add a club."""
    if not _CLUB_ID.fullmatch(club_id):
        raise click.BadParameter("2 to 30 of a-z, 0-9 and hyphen", param_hint="--id")
    name = _read(read_club_name, name, "--name")
    if not re.fullmatch("[A-Z]{2}", country) or country_name(country) is None:
        raise click.BadParameter("two capital letters of a country with phones, such as GB", param_hint="--country")
    if zone not in available_timezones():
        raise click.BadParameter("no such zone; one is Europe/London", param_hint="--zone")
    number = _phone(receiving_number, country, "--receiving-number")
    rescue_call = _read(read_rescue_call, rescue_call, "--rescue-call")
    service = service_with_schema(settings_of_environment(), "command")

    def work(session: Session) -> None:
        clubs.add(
            session,
            club_id=club_id,
            name=name,
            country=country,
            zone=zone,
            receiving_number=number,
            rescue_call=rescue_call,
        )
        _log(session, service, club_id, "club_created", {"name": name, "receiving_number": number})

    _write(service, work, "a club of that id, or with that receiving number, is there already")
    click.echo(f"Club {club_id} added.")


@club.command("canary")
@click.option("--club", "club_id", help="The club's id; may be left out while there is only one.")
@click.option("--number", help="A phone that the club owns and that nobody relies on.")
@click.option("--off", is_flag=True, help="No canary dives any more.")
def set_canary(*, club_id: str | None, number: str | None, off: bool) -> None:
    """Have one marked dive a day go from text to stand-down, to a phone of the club's own.

    Eight texts or so, each beginning with EXERCISE. Admins are told of one that does not get through in time.
    """
    if off == (number is not None):
        raise click.UsageError("give either --number or --off")
    service = service_with_schema(settings_of_environment(), "command")
    club_id, country = chosen_club(service, club_id)
    phone = None if number is None else _phone(number, country, "--number")

    def work(session: Session) -> None:
        _keep_canary(session, service, club_id, phone)

    service.write(work)
    click.echo(f"Canary dives of {club_id}: {'off' if phone is None else f'once a day to {phone}'}.")


def _keep_canary(session: Session, service: Service, club_id: str, phone: str | None) -> None:
    _refuse_receiving(service, session, phone, "--number")
    set_number(service, session, club_id, phone)
    _log(session, service, club_id, "canary_number_set", {"number": phone or "none"})


def _refuse_receiving(service: Service, session: Session, phone: str | None, option: str) -> None:
    if phone is not None and phone in texted_to(session, service.own_numbers):
        raise click.BadParameter("a number that divers text to would text itself", param_hint=option)


@click.group()
def admin() -> None:
    """Admins: who may change a club, and who is told when nobody else answers."""


@admin.command("create")
@click.option("--club", "club_id", help="The club's id; may be left out while there is only one.")
@click.option("--name", required=True)
@click.option("--email", required=True, help="What the admin signs in with.")
@click.option("--phone", help="Where to tell the admin that nobody answers an alarm, or that a part is dead.")
@click.option("--role", type=click.Choice([role.value for role in AdminRole]), default="owner", show_default=True)
@_PASSWORD_FILE
def create_admin(
    *, club_id: str | None, name: str, email: str, phone: str | None, role: str, password_file: Path | None
) -> None:
    """Add an admin, with a password of 12 characters or more."""
    service = service_with_schema(settings_of_environment(), "command")
    club_id, country = chosen_club(service, club_id)
    if not re.fullmatch(r"[^@\s]+@[^@\s]+", email):
        raise click.BadParameter("an address like finn@example.org", param_hint="--email")
    number = None if phone is None else _phone(phone, country, "--phone")
    hashed = hash_password(_password(password_file, (name, email, club_id)))

    def work(session: Session) -> None:
        _refuse_receiving(service, session, number, "--phone")
        admins.add(
            session,
            club_id=club_id,
            name=name,
            email=email,
            phone=number,
            password_hash=hashed,
            role=role,
            now=service.clock.now(),
        )
        _log(session, service, club_id, "admin_created", {"name": name, "email": email, "role": role})

    _write(service, work, "an admin with that email is there already")
    click.echo(f"Admin {name} added to {club_id}.")


@admin.command("disable")
@click.option("--email", required=True, help="What the admin signs in with.")
def disable_admin(*, email: str) -> None:
    """End an account: signed out at once, told nothing more. Not the last owner's."""
    service = service_with_schema(settings_of_environment(), "command")

    found = service.read(lambda session: admins.by_email(session, email))
    if found is None:
        _nobody(email)

    def work(session: Session) -> bool:
        log.hold(session, log.club_chain(found.club_id))
        if is_last_owner(session, found.id, found.club_id):
            return False
        forget(session, found.id)
        admins.disable(session, found.id, service.clock.now())
        _log(session, service, found.club_id, "admin_disabled", {"of": found.name})
        return True

    if not service.write(work):
        fail("this is the last owner of the club: make somebody else one first, or use admin reset")
    click.echo(f"Admin {found.name} is disabled.")


@admin.command("reset")
@click.option("--email", required=True, help="What the admin signs in with.")
@_PASSWORD_FILE
def reset_admin(*, email: str, password_file: Path | None) -> None:
    """Let an admin in again who is locked out: a new password, no second step, every browser signed out.

    For the last owner of a club, whom nobody at the desk can help. Be sure that it is they who ask.
    """
    service = service_with_schema(settings_of_environment(), "command")
    found = service.read(lambda session: admins.by_email(session, email))
    if found is None:
        _nobody(email)
    hashed = hash_password(_password(password_file, (found.name, found.email, found.club_id)))

    def work(session: Session) -> None:
        forget(session, found.id)
        admins.set_password(session, found.id, hashed)
        _log(session, service, found.club_id, "admin_reset", {"of": found.name})

    service.write(work)
    click.echo(f"Admin {found.name} signs in with the new password, without a second step.")


@click.group()
def token() -> None:
    """API tokens of a club."""


@token.command("create")
@click.option("--club", "club_id", help="The club's id; may be left out while there is only one.")
@click.option("--name", required=True, help="Which script it is for.")
def create_token(*, club_id: str | None, name: str) -> None:
    """Make an API token. It is shown once, on standard output; only its hash is kept."""
    service = service_with_schema(settings_of_environment(), "command")
    club_id, _ = chosen_club(service, club_id)
    click.echo(add_token(service, club_id, name))


def add_token(service: Service, club_id: str, name: str) -> str:
    """A new API token of a club, in the clear; only its hash is stored."""
    secret = secrets.token_urlsafe(TOKEN_BYTES)

    def work(session: Session) -> None:
        tokens.add(session, club_id=club_id, name=name, token_hash=hash_token(secret), now=service.clock.now())
        _log(session, service, club_id, "token_created", {"name": name})

    service.write(work)
    return secret


def chosen_club(service: Service, club_id: str | None) -> tuple[str, str]:
    """The id and country of the club that is meant."""
    known = {one.id: one.country for one in service.read(clubs.listing)}
    if club_id is None and len(known) == 1:
        return next(iter(known.items()))
    if club_id is None or club_id not in known:
        fail(f"name the club by --club: {', '.join(sorted(known)) or 'there is none yet, add one by club create'}")
    return club_id, known[club_id]


def _phone(text: str, country: str, option: str) -> str:
    return _read(lambda typed: read_phone(typed, country), text, option)


def _read(reader: Callable[[str], str], typed: str, option: str) -> str:
    """As it is kept; what the reader cannot take names the option."""
    try:
        return reader(typed)
    except ValueError as fault:
        raise click.BadParameter(str(fault), param_hint=option) from None


def _nobody(email: str) -> NoReturn:
    fail(f"nobody in office signs in with {email}")


def _password(path: Path | None, names: tuple[str, ...]) -> str:
    if path is None:
        password: str = click.prompt("Password", hide_input=True, confirmation_prompt="Again")
    else:
        password = path.read_text(encoding="utf-8").partition("\n")[0].rstrip("\r")
    fault = unfit(password, names)
    if fault is not None:
        click.echo(f"linetender: {fault}", err=True)
        sys.exit(2)
    return password


def _write(service: Service, work: Callable[[Session], None], taken: str) -> None:
    try:
        service.write(work)
    except IntegrityError:
        fail(taken)


def _log(session: Session, service: Service, club_id: str, kind: str, detail: dict[str, str]) -> None:
    log.append(
        session,
        chain=log.club_chain(club_id),
        at=service.clock.now(),
        kind=kind,
        actor={"role": "operator", "name": "the command line", "process": service.process},
        detail=detail,
        club_id=club_id,
    )
