"""Making ready what a demo runs on: settings, database, the invented club, an API token."""

from __future__ import annotations

import json
import shlex
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.demo.directory import Directory, Pace, going_on, kept_pace
from service.domain.grace import GracePeriods
from service.operations.links import hash_token
from service.settings import PREFIX
from service.store import admins, clubs, health, schema, tokens
from service.store.codec import dump_grace
from service.store.engine import open_engine, reading, run
from service.store.passwords import hash_password
from service.store.seed import RECEIVING_NUMBER, Seeded, seed

HOST: Final = "127.0.0.1"
ACCOUNT: Final = "AC00000001"
GATEWAY: Final = "practice"
DEAD_GATEWAY: Final = "breakwater"
MAIL_SENDER: Final = "linetender@skerry.example"
# A machine needs its real seconds also where a clock runs fast: for handing over a text, and for its receipt.
MACHINE_NEEDS_S: Final = 5.0
SOONEST_GRACE_S: Final = 300.0


@dataclass(frozen=True, slots=True)
class Place:
    """Where a demo runs: its address, database, broker (None for its own) and gateways, as the processes are told."""

    directory: Directory
    port: int
    pace: Pace
    database_url: str
    broker_url: str
    gateways: str | None  # a JSON list; None for the practice gateway and the mail room
    mail_port: int
    dead_port: int | None = None  # where the preferred gateway would be, and nothing listens

    @property
    def url(self) -> str:
        """The address of its pages."""
        return f"http://{HOST}:{self.port}"

    def settings(self) -> dict[str, str]:
        """The settings of its processes, by the names of their environment variables. Secrets are in files."""
        files = self.directory.path
        return {
            PREFIX + "DATABASE_URL": self.database_url,
            PREFIX + "BROKER_URL": self.broker_url,
            PREFIX + "SECRET_KEY_FILE": str(files / "secret-key"),
            PREFIX + "GATEWAYS_FILE": str(files / "gateways.json"),
            PREFIX + "PUBLIC_URL": self.url,
            PREFIX + "SPOOL_DIR": str(self.directory.spool),
            PREFIX + "DEMO": "yes",
            PREFIX + "PACE": f"{self.pace.pace:g}",
            PREFIX + "PACE_ORIGIN": self.pace.origin.isoformat(),
            PREFIX + "LOG_FORMAT": "plain",
            PREFIX + "HOST": HOST,
            PREFIX + "PORT": str(self.port),
        }


def environment(settings: Mapping[str, str], base: Mapping[str, str]) -> dict[str, str]:
    """The environment of a process: as ours, without any Linetender setting but these."""
    return {name: value for name, value in base.items() if not name.startswith(PREFIX)} | dict(settings)


def choose_pace(directory: Directory, pace: float, engine: Engine) -> Pace:
    """The pace for a demo that starts now; its clock never goes back. Raises ClockWentAheadError."""
    newest_at = None
    if schema.current(engine) is not None:
        with reading(engine) as session:
            newest_at = max((beat.at for beat in health.heartbeats(session).values()), default=None)
    chosen = going_on(pace, kept_pace(directory), newest_at, datetime.now(UTC))
    directory.write("clock.json", {"pace": chosen.pace, "origin": chosen.origin.isoformat()})
    return chosen


def write_settings(place: Place) -> None:
    """Put the secrets and settings where the processes, and people with other commands, find them."""
    place.directory.secret("secret-key")
    place.directory.write_text("gateways.json", place.gateways or _practice_gateways(place))
    lines = [f"export {name}={shlex.quote(value)}" for name, value in place.settings().items()]
    place.directory.write_text("settings.sh", "\n".join(lines))


def _practice_gateways(place: Place) -> str:
    gateway = {
        "name": GATEWAY,
        "kind": "form-post",
        "base_url": f"{place.url}/practice/gateway",
        "account": ACCOUNT,
        "token": place.directory.secret("gateway-token"),
        "sender": RECEIVING_NUMBER,
        "calls": True,
    }
    mail_room = {
        "name": "mail-room",
        "kind": "smtp",
        "host": HOST,
        "port": place.mail_port,
        "security": "none",
        "sender": MAIL_SENDER,
    }
    dead = gateway | {"name": DEAD_GATEWAY, "base_url": f"http://{HOST}:{place.dead_port}"}
    return json.dumps([*([] if place.dead_port is None else [dead]), gateway, mail_room])


def prepare_database(place: Place) -> Seeded:
    """Bring the database to the current schema, and add what is missing of the invented club."""
    engine = open_engine(place.database_url)
    try:
        schema.migrate(engine)
        return run(engine, lambda session: _seed(session, place))
    finally:
        engine.dispose()


def _seed(session: Session, place: Place) -> Seeded:
    now = place.pace.clock().now()
    password = place.directory.secret("admin-password")
    seeded = seed(session, now, admin_password=password)
    admin = admins.by_email(session, seeded.admin_email)
    if admin is not None and place.directory.read("demo.json") is None:
        # The database may be older than this directory, and then know another password.
        admin.password_hash = hash_password(password)
    token_hash = hash_token(place.directory.secret("api-token"))
    if tokens.find(session, token_hash) is None:
        tokens.add(session, club_id=seeded.club_id, name="the demo", token_hash=token_hash, now=now)
    club = clubs.get(session, seeded.club_id)
    if club is not None:
        club.grace = _grace_at(place.pace.pace)
    return seeded


def _grace_at(pace: float) -> dict[str, Any] | None:
    """The club's grace periods where they differ from the defaults: a machine's seconds do not run faster."""
    needed = timedelta(seconds=min(MACHINE_NEEDS_S * pace, SOONEST_GRACE_S))
    usual = GracePeriods()
    longer = replace(
        usual,
        arming_within=max(usual.arming_within, needed),
        receipt_within=max(usual.receipt_within, needed),
    )
    before = dump_grace(usual)
    return {name: value for name, value in dump_grace(longer).items() if value != before[name]} or None
