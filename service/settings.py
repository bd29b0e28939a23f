"""The settings: environment variables with the prefix LINETENDER_, read once into a frozen object.

A value may also come from a file: LINETENDER_SECRET_KEY_FILE names a file that holds the secret key.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import datetime
from pathlib import Path
from urllib.parse import urlsplit

from service.clock import Clock, PacedClock, SteadyClock
from service.domain.place.search_area import DEFAULT_FACTORS, SearchFactors, SearchFactorsError

PREFIX = "LINETENDER_"
SECRET_KEY_MIN = 32
ELSEWHERE = frozenset({f"{PREFIX}REQUIRE_BROWSER"})  # read by the tests


class SettingsError(ValueError):
    """The settings do not allow this process to do its duty; the message names the setting and holds no secret."""


@dataclass(frozen=True, slots=True)
class Settings:
    """Everything a process is told from outside."""

    database_url: str  # DATABASE_URL
    broker_url: str  # BROKER_URL
    secret_key: str  # SECRET_KEY, signs form nonces, seals spool and snapshot
    public_url: str  # PUBLIC_URL, the address that people and gateways use
    gateways: str  # GATEWAYS, a JSON list
    pace: float = 1.0  # PACE, clock seconds in a real second; the demo only
    pace_origin: datetime | None = None  # PACE_ORIGIN, where all processes of a demo began
    demo: bool = False  # DEMO, opens the practice phones
    log_format: str = "json"  # LOG_FORMAT, json or plain
    proxies: int = 0  # PROXIES, how many proxies of ours stand before the web
    metrics_token: str | None = None  # METRICS_TOKEN, a bearer token for /metrics; without it only loopback may look
    host: str = "127.0.0.1"  # HOST
    port: int = 8000  # PORT
    spool_dir: str | None = None  # SPOOL_DIR, for what gateways bring and the keeper's snapshot
    search_factors: SearchFactors = DEFAULT_FACTORS  # SEARCH_FACTORS, a JSON object of those that differ

    def clock(self) -> Clock:
        """The clock that these settings ask for."""
        if self.pace_origin is None:
            return SteadyClock()
        return PacedClock(pace=self.pace, origin=self.pace_origin)


def read_settings(environ: Mapping[str, str]) -> Settings:
    """The settings in `environ`. Raises SettingsError, which names what is missing or wrong."""
    take = _Taker(environ)
    settings = Settings(
        database_url=take.needed("DATABASE_URL"),
        broker_url=take.needed("BROKER_URL"),
        secret_key=take.needed("SECRET_KEY"),
        public_url=take.needed("PUBLIC_URL").rstrip("/"),
        gateways=take.needed("GATEWAYS"),
        pace=take.number("PACE", 1.0, 1.0, 600.0),
        pace_origin=take.instant("PACE_ORIGIN"),
        demo=take.yes_no("DEMO"),
        log_format=take.one_of("LOG_FORMAT", ("json", "plain")),
        proxies=int(take.number("PROXIES", 0, 0, 5)),
        metrics_token=take.optional("METRICS_TOKEN"),
        host=take.optional("HOST") or "127.0.0.1",
        port=int(take.number("PORT", 8000, 1, 65535)),
        spool_dir=take.optional("SPOOL_DIR"),
        search_factors=take.search_factors("SEARCH_FACTORS"),
    )
    _check(settings)
    return settings


def unknown_settings(environ: Mapping[str, str]) -> list[str]:
    """The variables with our prefix that nobody reads, in order: mistyped, most likely, so that a default holds."""
    names = {f"{PREFIX}{field.name.upper()}" for field in fields(Settings)} | ELSEWHERE
    return sorted(name for name in environ if name.startswith(PREFIX) and name.removesuffix("_FILE") not in names)


def _check(settings: Settings) -> None:
    if len(settings.secret_key) < SECRET_KEY_MIN:
        raise SettingsError(f"{PREFIX}SECRET_KEY must have at least {SECRET_KEY_MIN} characters: use a random one")
    address = urlsplit(settings.public_url)
    if address.scheme not in ("http", "https") or not address.hostname:
        raise SettingsError(f"{PREFIX}PUBLIC_URL must be the address people use, such as https://dive.example.org")
    if address.scheme == "http" and address.hostname not in ("127.0.0.1", "localhost") and not settings.demo:
        raise SettingsError(f"{PREFIX}PUBLIC_URL must be https: its links open plans of people")
    if address.username is not None or address.query or address.fragment:
        raise SettingsError(f"{PREFIX}PUBLIC_URL must have no user, ? or #: pages are below it, and texts show it")
    if settings.pace != 1.0 and not settings.demo:
        raise SettingsError(f"{PREFIX}PACE is for the demo: a real dive has real minutes")
    if settings.pace != 1.0 and settings.pace_origin is None:
        raise SettingsError(f"{PREFIX}PACE needs {PREFIX}PACE_ORIGIN, else the processes disagree about the time")


@dataclass(frozen=True, slots=True)
class _Taker:
    environ: Mapping[str, str]

    def optional(self, name: str) -> str | None:
        given, path = self.environ.get(PREFIX + name), self.environ.get(f"{PREFIX}{name}_FILE")
        if given and path:
            raise SettingsError(f"{PREFIX}{name} and {PREFIX}{name}_FILE are both set: keep one")
        if path:
            try:
                value = Path(path).read_text(encoding="utf-8").strip()
            except (OSError, UnicodeDecodeError) as error:
                why = error.strerror if isinstance(error, OSError) else "it is no text"
                raise SettingsError(f"{PREFIX}{name}_FILE cannot be read: {why}") from None
            if not value:
                raise SettingsError(f"{PREFIX}{name}_FILE names an empty file")
            return value
        return given or None

    def needed(self, name: str) -> str:
        value = self.optional(name)
        if value is None:
            raise SettingsError(f"{PREFIX}{name} is not set: there is no default outside the demo")
        return value

    def number(self, name: str, default: float, lowest: float, highest: float) -> float:
        value = self.optional(name)
        if value is None:
            return default
        try:
            number = float(value)
        except ValueError:
            raise SettingsError(f"{PREFIX}{name} must be a number") from None
        if not lowest <= number <= highest:
            raise SettingsError(f"{PREFIX}{name} must be from {lowest:g} to {highest:g}")
        return number

    def search_factors(self, name: str) -> SearchFactors:
        value = self.optional(name)
        if value is None:
            return DEFAULT_FACTORS
        try:
            given = json.loads(value)
            return SearchFactors(**{factor: float(figure) for factor, figure in given.items()})
        except SearchFactorsError as error:
            raise SettingsError(f"{PREFIX}{name}: {error}") from None
        except (ValueError, TypeError, AttributeError):
            known = ", ".join(field.name for field in fields(SearchFactors))
            raise SettingsError(f"{PREFIX}{name} must be a JSON object of numbers; its names: {known}") from None

    def instant(self, name: str) -> datetime | None:
        value = self.optional(name)
        if value is None:
            return None
        try:
            instant = datetime.fromisoformat(value)
        except ValueError:
            raise SettingsError(f"{PREFIX}{name} must be an ISO 8601 instant") from None
        if instant.tzinfo is None:
            raise SettingsError(f"{PREFIX}{name} must carry its offset from UTC")
        return instant

    def yes_no(self, name: str) -> bool:
        return self.one_of(name, ("no", "yes")) == "yes"

    def one_of(self, name: str, choices: tuple[str, ...]) -> str:
        value = self.optional(name) or choices[0]
        if value not in choices:
            raise SettingsError(f"{PREFIX}{name} must be one of: {', '.join(choices)}")
        return value
