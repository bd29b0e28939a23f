"""Signing in to a club's desk. None of this stands before a diver or a contact: they need no account.

A session is a row; the browser holds 128 random bits of which only the hash is kept. It ends after twelve hours
without use and after seven days in any case (OWASP ASVS 5.0, 7.3.1 and 7.3.2 ask that both are set; the lengths are
ours). While the club has an alarm up it does not end by itself, for a day at most: whoever sits at the desk when the
alarm is raised must not be asked for a password in the middle of it.

Whoever guesses passwords must not keep the admin out either. So what strangers try is counted by itself, and a browser
on which the admin has signed in before has a count of its own.
"""

from __future__ import annotations

import logging
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from cryptography.fernet import Fernet
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from service.clock import clock_seconds
from service.operations import one_time_codes
from service.operations.admin_roles import AdminRole
from service.operations.links import TOKEN_BYTES, hash_token
from service.operations.service import Service
from service.store import admin_sessions, admins, clubs, known_browsers, log, passwords, second_factors
from service.store.admin_sessions import Found
from service.store.club_alarms import alarm_since
from service.store.tables import AdminRow

_LOG = logging.getLogger(__name__)

IDLE_MAX: Final = timedelta(hours=12)
LASTS: Final = timedelta(days=7)
PUT_OFF_MAX: Final = timedelta(hours=24)  # how much later a session ends when there is an alarm at its end
SEEN_NOTED_EVERY: Final = timedelta(minutes=5)  # so that looking at a page is not a write each time
CODE_WITHIN: Final = timedelta(minutes=10)
BROWSER_KNOWN_FOR: Final = timedelta(days=180)
KNOWN_BROWSER_TRIES: Final = 10  # passwords and codes in a quarter of an hour
STRANGERS_CODES: Final = 5  # for one account; of a million codes three are right at a time
BROWSER_WORDS_MAX: Final = 60


@dataclass(frozen=True, slots=True)
class SignedIn:
    """An admin at the desk of their club."""

    admin_id: str
    name: str
    club_id: str
    club_name: str
    zone: str
    role: AdminRole
    country: str | None = None  # of the club (ISO 3166)


@dataclass(frozen=True, slots=True)
class Browser:
    """What a browser has brought: the cookie by which we know it again, and what it calls itself."""

    known_by: str = ""
    words: str = ""
    session: str = ""  # the session that it had, which a new one replaces


@dataclass(frozen=True, slots=True)
class Entered:
    """Signed in. `token` is the session's; `known_by` what the browser is known again by."""

    token: str
    known_by: str


@dataclass(frozen=True, slots=True)
class CodeWanted:
    """The password is right; `token` leads to the second step."""

    token: str


@dataclass(frozen=True, slots=True)
class TooOften:
    """Not looked at: there were too many tries in the last quarter of an hour."""


@dataclass(frozen=True, slots=True)
class Wrong:
    """Not right. Nothing more is told."""


@dataclass(frozen=True, slots=True)
class Over:
    """Nobody's code is waited for any more: begin again with the password."""


@dataclass(frozen=True, slots=True)
class _Account:
    admin_id: str
    name: str
    club_id: str
    password_hash: str
    browser_known: bool
    has_second_factor: bool


def sign_in(
    service: Service, email: str, password: str, browser: Browser, stranger_may: Callable[[], bool]
) -> Entered | CodeWanted | Wrong | TooOften:
    """Try address and password. What was tried for an admin is logged.

    `stranger_may` counts one more try of a browser that this admin has not used before; False where that is too many.
    """
    now = service.clock.now()
    found = service.read(lambda session: _account(session, email, browser, now))
    if found is None or not found.browser_known:
        if not stranger_may():
            return TooOften()
    elif not service.write(lambda session: _take_try(session, browser, now)):
        return TooOften()
    right = passwords.matches(None if found is None else found.password_hash, password)
    if found is None:
        return Wrong()
    if not right:
        service.write(lambda session: _log(service, session, found, "sign_in_failed", now))
        return Wrong()

    def work(session: Session) -> Entered | CodeWanted | Wrong:
        # A password takes a while to check. Where it was changed meanwhile, or the account, the old one opens nothing.
        admins.hold(session, found.admin_id)
        if _account(session, email, browser, now) != found:
            return Wrong()
        if not found.has_second_factor:
            return _enter(service, session, found, browser, now, {})
        token = secrets.token_urlsafe(TOKEN_BYTES)
        # Whoever types a code does so in real time, whatever the pace of the clock.
        ends_at = now + timedelta(seconds=clock_seconds(service.clock, CODE_WITHIN.total_seconds()))
        second_factors.add_step(
            session, token_hash=hash_token(token), admin_id=found.admin_id, now=now, ends_at=ends_at
        )
        return CodeWanted(token)

    return service.write(work)


def enter_code(
    service: Service, token: str, typed: str, browser: Browser, seal: Fernet, wall_now: datetime
) -> Entered | Wrong | TooOften | Over:
    """The second step: a code of the second factor, or a recovery code. Wrong ones are logged."""
    now = service.clock.now()

    def begin(session: Session) -> tuple[_Account, bool] | None:
        admin_id = second_factors.step_of(session, hash_token(token), now)
        admin = None if admin_id is None else admins.get(session, admin_id)
        found = None if admin is None else _account(session, admin.email, browser, now)
        if found is None:
            return None
        if found.browser_known:
            return found, _take_try(session, browser, now)
        return found, second_factors.take_try(session, found.admin_id, now, STRANGERS_CODES)

    begun = service.write(begin)
    if begun is None:
        return Over()
    account, may = begun
    if not may:
        return TooOften()
    proof = service.read(lambda session: one_time_codes.proof(session, seal, account.admin_id, typed, wall_now))

    def work(session: Session) -> Entered | Wrong | Over:
        if proof is None or not proof.use(session, now):
            _log(service, session, account, "second_step_failed", now)
            return Wrong()
        if not second_factors.end_step(session, hash_token(token)):
            return Over()
        second_factors.forget_tries(session, account.admin_id)
        how = "recovery code" if proof.step is None else "code"
        return _enter(service, session, account, browser, now, {"second_factor": how})

    return service.write(work)


def signed_in(service: Service, token: str, *, used: bool = True) -> SignedIn | None:
    """Whose session it is; None where it is none, or over. `used`: a person does something, and no page by itself."""
    now, hashed = service.clock.now(), hash_token(token)

    def look(session: Session) -> tuple[SignedIn, datetime] | None:
        found = admin_sessions.find(session, hashed)
        if found is None or not _goes_on(session, found, now):
            return None
        return as_signed_in(session, found.admin), found.seen_at

    found = service.read(look)
    if found is None:
        return None
    if used and now - found[1] >= SEEN_NOTED_EVERY:
        _note_use(service, hashed, now)
    return found[0]


def _note_use(service: Service, hashed: str, now: datetime) -> None:
    """A database that takes no writes must not shut those out who look up who is in the water and whom to call."""
    try:
        service.write(lambda session: admin_sessions.see(session, hashed, now))
    except SQLAlchemyError:
        _LOG.exception("use_of_session_not_noted")


def sign_out(service: Service, token: str, admin: SignedIn) -> None:
    """End the session."""
    now = service.clock.now()

    def work(session: Session) -> None:
        admin_sessions.end(session, hash_token(token))
        account = _Account(admin.admin_id, admin.name, admin.club_id, "", browser_known=True, has_second_factor=False)
        _log(service, session, account, "signed_out", now)

    service.write(work)


def as_signed_in(session: Session, admin: AdminRow) -> SignedIn:
    """An admin as the desk knows them. Raises LookupError for one without a club, which cannot be."""
    club = clubs.get(session, admin.club_id)
    if club is None:
        raise LookupError(f"no club {admin.club_id}")
    return SignedIn(admin.id, admin.name, club.id, club.name, club.zone, AdminRole(admin.role), club.country)


def _goes_on(session: Session, found: Found, now: datetime) -> bool:
    """Whether a session is not over, or would be but for an alarm that was up by then."""
    over_at = min(found.seen_at + IDLE_MAX, found.ends_at)
    if now < over_at:
        return True
    if now >= over_at + PUT_OFF_MAX:
        return False
    since = alarm_since(session, found.admin.club_id, now)
    return since is not None and since < over_at


def _account(session: Session, email: str, browser: Browser, now: datetime) -> _Account | None:
    admin = admins.by_email(session, email)
    if admin is None:
        return None
    known = known_browsers.find(session, hash_token(browser.known_by), admin.id, now)
    factor = second_factors.get(session, admin.id)
    return _Account(
        admin_id=admin.id,
        name=admin.name,
        club_id=admin.club_id,
        password_hash=admin.password_hash,
        browser_known=known is not None,
        has_second_factor=factor is not None and factor.confirmed_at is not None,
    )


def _take_try(session: Session, browser: Browser, now: datetime) -> bool:
    return known_browsers.take_try(session, hash_token(browser.known_by), now, KNOWN_BROWSER_TRIES)


def _enter(
    service: Service, session: Session, account: _Account, browser: Browser, now: datetime, how: dict[str, str]
) -> Entered:
    """A new session under a new token, in the place of the one that this browser had."""
    token = secrets.token_urlsafe(TOKEN_BYTES)
    admin_sessions.drop_ended(session, now - PUT_OFF_MAX)
    admin_sessions.end(session, hash_token(browser.session))
    admin_sessions.add(
        session,
        token_hash=hash_token(token),
        admin_id=account.admin_id,
        now=now,
        ends_at=now + LASTS,
        browser=browser.words[:BROWSER_WORDS_MAX] or None,
    )
    known_by, known_until = browser.known_by, now + BROWSER_KNOWN_FOR
    if account.browser_known:
        known_browsers.renew(session, hash_token(known_by), known_until)
    else:
        known_by = secrets.token_urlsafe(TOKEN_BYTES)
        known_browsers.add(
            session, token_hash=hash_token(known_by), admin_id=account.admin_id, now=now, ends_at=known_until
        )
    _log(service, session, account, "signed_in", now, how)
    return Entered(token, known_by)


def _log(
    service: Service,
    session: Session,
    account: _Account,
    kind: str,
    now: datetime,
    detail: dict[str, str] | None = None,
) -> None:
    actor = {"role": "admin", "name": account.name, "key": f"admin-{account.admin_id}", "process": service.process}
    chain = log.club_chain(account.club_id)
    log.append(session, chain=chain, at=now, kind=kind, actor=actor, detail=detail or {}, club_id=account.club_id)
