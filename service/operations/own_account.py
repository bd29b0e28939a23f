"""What an admin does with their own account: password, browsers that are signed in, and the second factor.

Each that makes signing in different asks for the password once more (OWASP ASVS 5.0, 7.5.1), is in the club's log, and
ends what else was signed in.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from cryptography.fernet import Fernet
from sqlalchemy.orm import Session

from service.domain.phone import PhoneError, read_phone
from service.operations import one_time_codes
from service.operations.desk_log import note
from service.operations.links import hash_token
from service.operations.one_time_codes import Proof
from service.operations.own_numbers import texted_to
from service.operations.password_rules import unfit
from service.operations.service import Service
from service.operations.signing_in import SignedIn
from service.store import admin_sessions, admins, clubs, known_browsers, passwords, second_factors
from service.store.passwords import hash_password

WRONG_PASSWORD: Final = "This is not your password. Nothing changed."  # noqa: S105 - words about one
WRONG_CODE: Final = "This is not a code of yours, or it was used already. Wait for the next one. Nothing changed."
NAME_MAX: Final = 60
NOT_BEGUN: Final = "There is no code to confirm. Begin again."


class RefusedError(ValueError):
    """What was asked is not done; the message says why and what to do, `field` is the input that it is about."""

    def __init__(self, words: str, field: str) -> None:
        super().__init__(words)
        self.field = field


@dataclass(frozen=True, slots=True)
class SignedInBrowser:
    """One browser on which an admin is signed in. `handle` names it; `here`: it is the one that asks."""

    handle: str
    words: str | None
    since_at: datetime
    seen_at: datetime
    here: bool


@dataclass(frozen=True, slots=True)
class Standing:
    """How an admin signs in, and where they are told something. `deaf`: that phone has opted out of our texts."""

    email: str
    phone: str | None
    deaf: bool
    second_factor: bool
    recovery_codes_left: int
    browsers: tuple[SignedInBrowser, ...]


@dataclass(frozen=True, slots=True)
class Beginning:
    """A second factor that waits to be confirmed: the secret, and what its QR code holds."""

    secret: str
    address: str


def standing(service: Service, admin: SignedIn, token: str) -> Standing:
    """How this admin signs in, as the browser with that session's token sees it."""
    here = hash_token(token)

    def look(session: Session) -> Standing:
        row = admins.get(session, admin.admin_id)
        factor = second_factors.get(session, admin.admin_id)
        browsers = tuple(
            SignedInBrowser(
                handle=one.token_hash[: admin_sessions.HANDLE_LENGTH],
                words=one.browser,
                since_at=one.created_at,
                seen_at=one.seen_at,
                here=one.token_hash == here,
            )
            for one in admin_sessions.listing(session, admin.admin_id)
        )
        return Standing(
            email="" if row is None else row.email,
            phone=None if row is None else row.phone,
            deaf=row is not None and row.phone in admins.deaf(session, admin.club_id),
            second_factor=factor is not None and factor.confirmed_at is not None,
            recovery_codes_left=second_factors.recovery_codes_left(session, admin.admin_id),
            browsers=browsers,
        )

    return service.read(look)


def change_details(service: Service, admin: SignedIn, password: str, name: str, phone: str) -> None:
    """Take another name, or another phone to be told on; none where it is empty. Raises RefusedError."""
    country, ours = service.read(
        lambda session: (_country(session, admin.club_id), texted_to(session, service.own_numbers))
    )
    name_now, phone_now = read_name(name), read_phone_or_none(phone, country, ours)
    _prove_password(service, admin, password, "password")

    def work(session: Session) -> None:
        row = admins.get(session, admin.admin_id)
        if row is None:
            return
        changed = [
            what for what, is_new in (("name", row.name != name_now), ("phone", row.phone != phone_now)) if is_new
        ]
        row.name, row.phone = name_now, phone_now
        session.flush()
        if changed:
            note(service, session, admin, "own_details_changed", {"changed": changed, "name": name_now})

    service.write(work)


def change_password(service: Service, admin: SignedIn, token: str, old: str, new: str) -> None:
    """Take a new password; every other browser is signed out. Raises RefusedError."""
    _prove_password(service, admin, old, "old_password")
    fault = unfit(new, names_of(service, admin))
    if fault is not None:
        raise RefusedError(fault, "new_password")
    if new == old:
        raise RefusedError("This is the password that you have. Take another one.", "new_password")
    hashed = hash_password(new)

    def work(session: Session) -> None:
        admins.set_password(session, admin.admin_id, hashed)
        ended = end_everything(session, admin.admin_id, but=token)
        note(service, session, admin, "password_changed", {"browsers_signed_out": ended})

    service.write(work)


def end_browser(service: Service, admin: SignedIn, handle: str) -> bool:
    """Sign one of their own browsers out; whether there was such a one."""

    def work(session: Session) -> bool:
        if not admin_sessions.end_by_handle(session, admin.admin_id, handle):
            return False
        note(service, session, admin, "browser_signed_out", {})
        return True

    return service.write(work)


def sign_out_everywhere(service: Service, admin: SignedIn) -> None:
    """Sign every browser out, this one too, and know none of them any more."""

    def work(session: Session) -> None:
        ended = end_everything(session, admin.admin_id)
        known_browsers.forget_all(session, admin.admin_id)
        note(service, session, admin, "signed_out_everywhere", {"browsers_signed_out": ended})

    service.write(work)


def begin_second_factor(service: Service, admin: SignedIn, password: str, seal: Fernet) -> None:
    """Make a secret that is asked for once it was confirmed. Raises RefusedError."""
    _prove_password(service, admin, password, "password")
    secret = one_time_codes.new_secret()

    def work(session: Session) -> None:
        factor = second_factors.get(session, admin.admin_id)
        if factor is not None and factor.confirmed_at is not None:
            raise RefusedError("The second step is on already.", "password")
        second_factors.begin(session, admin.admin_id, one_time_codes.sealed(seal, secret), service.clock.now())

    service.write(work)


def begun_second_factor(service: Service, admin: SignedIn, seal: Fernet) -> Beginning | None:
    """The second factor that waits to be confirmed; None where none does."""

    def look(session: Session) -> Beginning | None:
        factor = second_factors.get(session, admin.admin_id)
        row = admins.get(session, admin.admin_id)
        if factor is None or factor.confirmed_at is not None or row is None:
            return None
        secret = one_time_codes.unsealed(seal, factor.sealed)
        return None if secret is None else Beginning(secret, one_time_codes.address(secret, row.email))

    return service.read(look)


def confirm_second_factor(
    service: Service, admin: SignedIn, token: str, typed: str, seal: Fernet, wall_now: datetime
) -> tuple[str, ...]:
    """Ask for codes from now on; gives the recovery codes, which are kept as hashes. Raises RefusedError."""
    begun = begun_second_factor(service, admin, seal)
    if begun is None:
        raise RefusedError(NOT_BEGUN, "code")
    step = one_time_codes.step_of(begun.secret, typed, wall_now, last_step=0)
    if step is None:
        raise RefusedError(WRONG_CODE, "code")
    codes = one_time_codes.new_recovery_codes()
    hashes = one_time_codes.recovery_hashes(codes)

    def work(session: Session) -> None:
        if not second_factors.confirm(session, admin.admin_id, step, service.clock.now()):
            raise RefusedError(NOT_BEGUN, "code")
        second_factors.renew_recovery_codes(session, admin.admin_id, hashes)
        ended = end_everything(session, admin.admin_id, but=token)
        note(service, session, admin, "second_factor_on", {"browsers_signed_out": ended})

    service.write(work)
    return codes


def end_second_factor(
    service: Service, admin: SignedIn, token: str, password: str, typed: str, seal: Fernet, wall_now: datetime
) -> None:
    """Ask for no codes any more. Needs the password and a code. Raises RefusedError."""
    _prove_password(service, admin, password, "password")
    found = _prove_code(service, admin, typed, seal, wall_now)

    def work(session: Session) -> None:
        _use(session, found, service.clock.now())
        second_factors.remove(session, admin.admin_id)
        ended = end_everything(session, admin.admin_id, but=token)
        note(service, session, admin, "second_factor_off", {"browsers_signed_out": ended})

    service.write(work)


def renew_recovery_codes(
    service: Service, admin: SignedIn, password: str, typed: str, seal: Fernet, wall_now: datetime
) -> tuple[str, ...]:
    """Ten new codes in the place of the old ones. Needs the password and a code. Raises RefusedError."""
    _prove_password(service, admin, password, "password")
    found = _prove_code(service, admin, typed, seal, wall_now)
    codes = one_time_codes.new_recovery_codes()
    hashes = one_time_codes.recovery_hashes(codes)

    def work(session: Session) -> None:
        _use(session, found, service.clock.now())
        second_factors.renew_recovery_codes(session, admin.admin_id, hashes)
        note(service, session, admin, "recovery_codes_renewed", {})

    service.write(work)
    return codes


def names_of(service: Service, admin: SignedIn) -> tuple[str, ...]:
    """The names that a password of this admin must not be made of."""
    row = service.read(lambda session: admins.get(session, admin.admin_id))
    return (admin.name, admin.club_name, "" if row is None else row.email)


def read_name(typed: str) -> str:
    """The name of an admin. Raises RefusedError."""
    name = " ".join(typed.split())
    if not name:
        raise RefusedError("Give your name, as it will stand in the log.", "name")
    if len(name) > NAME_MAX:
        raise RefusedError(f"Give a name of at most {NAME_MAX} characters.", "name")
    return name


def read_phone_or_none(typed: str, country: str, ours: Collection[str]) -> str | None:
    """The phone of an admin, read as of that country; None where nothing was typed. Raises RefusedError.

    `ours` are the numbers on which texts to clubs come in, which are nobody's phone.
    """
    if not typed.strip():
        return None
    try:
        phone = read_phone(typed, country)
    except PhoneError as fault:
        words = str(fault)
        raise RefusedError(f"{words[:1].upper()}{words[1:].rstrip('.')}.", "phone") from None
    if phone in ours:
        raise RefusedError("Divers text to this number: it would text itself. Give a phone of your own.", "phone")
    return phone


def end_everything(session: Session, admin_id: str, but: str | None = None) -> int:
    """Sign every browser of an admin out, those that wait for a code too, but the one of that session's token."""
    second_factors.end_steps(session, admin_id)
    return admin_sessions.end_all(session, admin_id, None if but is None else hash_token(but))


def _use(session: Session, found: Proof, now: datetime) -> None:
    if not found.use(session, now):
        raise RefusedError(WRONG_CODE, "code")


def _prove_password(service: Service, admin: SignedIn, password: str, field: str) -> None:
    row = service.read(lambda session: admins.get(session, admin.admin_id))
    if not passwords.matches(None if row is None else row.password_hash, password):
        service.write(lambda session: note(service, session, admin, "password_proof_failed", {}))
        raise RefusedError(WRONG_PASSWORD, field)


def _prove_code(service: Service, admin: SignedIn, typed: str, seal: Fernet, wall_now: datetime) -> Proof:
    found = service.read(lambda session: one_time_codes.proof(session, seal, admin.admin_id, typed, wall_now))
    if found is None:
        service.write(lambda session: note(service, session, admin, "code_proof_failed", {}))
        raise RefusedError(WRONG_CODE, "code")
    return found


def _country(session: Session, club_id: str) -> str:
    club = clubs.get(session, club_id)
    if club is None:
        raise LookupError(f"no club {club_id}")
    return club.country
