"""One gateway's entry in the settings, read key by key; whatever is wrong is refused by gateway and key."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from urllib.parse import urlsplit

from service.domain.people import Channel
from service.domain.wording import MessageKind
from service.gateways.connections import AddressRule, is_this_machine, literal_address
from service.operations.gateway import Route

NAME = re.compile(r"[a-z0-9-]{1,30}")
TOKEN = re.compile(r"[!-~]{1,200}")
SENDER = re.compile(r"\+[1-9][0-9]{6,14}|[0-9]{3,8}")

TOKEN_WANTED = "printable characters without spaces"  # noqa: S105 - words about a token
# A sender that is a word cannot be answered, and a diver who cannot answer cannot stop the clock.
SENDER_WANTED = "a number that can be answered: +447700900000, or a short code"
EMAIL_WANTED = "an e-mail address, such as alerts@dives.example.org"

RATE_MIN, RATE_MAX = 0.01, 1000.0

_COMMON_REQUIRED = ("name", "kind")
_COMMON_OPTIONAL = ("receipts", "allow_private", "prefixes", "for", "per_s", "segments_per_s", "canary")

_PREFIX = re.compile(r"\+[1-9][0-9]{0,14}")
_PHONE = re.compile(r"\+[1-9][0-9]{6,14}")
EMAIL = re.compile(r"[!-?A-~]{1,64}@[A-Za-z0-9-]{1,63}(\.[A-Za-z0-9-]{1,63})+")
_KIND_BY_WORD = {kind.name.lower(): kind for kind in MessageKind}


class GatewaySettingsError(ValueError):
    """The gateway settings cannot be used; the message names the gateway and the key, and holds no secret."""


@dataclass(frozen=True, slots=True)
class Entry:
    """The keys of one gateway. `label` names it in errors. Every method raises GatewaySettingsError."""

    label: str
    values: Mapping[str, object]

    def check_keys(self, required: Collection[str], optional: Collection[str] = ()) -> None:
        """Refuse a key that this kind of gateway does not have, and the lack of one that it needs.

        The keys that every kind has are known here: name, kind, and what the gateway is used for.
        """
        for key in self.values:
            if key not in {*_COMMON_REQUIRED, *_COMMON_OPTIONAL, *required, *optional}:
                raise GatewaySettingsError(f"{self.label}: unknown key {key[:40]!r}")
        for key in required:
            if self.values.get(key) in (None, ""):
                raise GatewaySettingsError(f"{self.label}: {key} is missing")

    def text(self, key: str, form: re.Pattern[str], wanted: str) -> str:
        """The text under a key; `wanted` says in an error what would be right."""
        value = self.values.get(key)
        if not is_text(value, form):
            raise self.wrong(key, wanted)
        return str(value)

    def optional_text(self, key: str, form: re.Pattern[str], wanted: str) -> str | None:
        """The text under a key, or None where the key is left out."""
        return self.text(key, form, wanted) if key in self.values else None

    def yes_no(self, key: str, *, default: bool) -> bool:
        """Whether it is so."""
        value = self.values.get(key, default)
        if not isinstance(value, bool):
            raise self.wrong(key, "true or false")
        return value

    def rate(self, key: str) -> float | None:
        """How many in a second, or None where the key is left out."""
        if key not in self.values:
            return None
        value = self.values[key]
        # The comparison also refuses what JSON readers take for numbers and are none: NaN and Infinity.
        if isinstance(value, bool) or not isinstance(value, int | float) or not RATE_MIN <= value <= RATE_MAX:
            raise self.wrong(key, f"a number from {RATE_MIN:g} to {RATE_MAX:g}")
        return float(value)

    def texts(self, key: str, form: re.Pattern[str], wanted: str) -> tuple[str, ...]:
        """The list of texts under a key, in its order; nothing where the key is left out, but never an empty list."""
        if key not in self.values:
            return ()
        value = self.values[key]
        if not isinstance(value, list) or not value or not all(is_text(item, form) for item in value):
            raise self.wrong(key, wanted)
        return tuple(dict.fromkeys(value))

    def route(self, channel: Channel = Channel.TEXT) -> Route:
        """What the gateway is used for; its canary is an e-mail address where it carries e-mail."""
        words = self.texts(
            "for", re.compile("|".join(_KIND_BY_WORD)), f"a list of kinds of message, of: {', '.join(_KIND_BY_WORD)}"
        )
        form, wanted = (
            (EMAIL, "an e-mail address of your own")
            if channel is Channel.EMAIL
            else (_PHONE, "a phone number of your own, such as +447700900000")
        )
        return Route(
            prefixes=self.texts("prefixes", _PREFIX, 'a list of beginnings of phone numbers, such as ["+44"]'),
            kinds=frozenset(_KIND_BY_WORD[word] for word in words),
            per_s=self.rate("per_s"),
            segments_per_s=self.rate("segments_per_s"),
            canary=self.optional_text("canary", form, wanted),
        )

    def receiving_number(self) -> str | None:
        """The receiving number of the club that texts to the sender are for, where it is given."""
        return self.optional_text("receiving_number", _PHONE, "the receiving number of a club, such as +447700900000")

    def base_url(self) -> str:
        """The base URL without a slash at its end. Where a name leads is checked at each connection."""
        allow_private = self.yes_no("allow_private", default=False)
        url = address(f"{self.label}: base_url", self.values.get("base_url"))
        parts = urlsplit(url)
        host = parts.hostname or ""
        loopback = is_this_machine(host)
        if parts.scheme != "https" and not (loopback or allow_private):
            raise self.wrong("base_url", "https, or the gateway must have allow_private")
        rule = AddressRule(clear_text=parts.scheme != "https", loopback=loopback, allow_private=allow_private)
        literal = literal_address(host)
        if literal is not None and not rule.permits(literal):
            wanted = "be https outside a private network" if literal.is_global else "have allow_private with it"
            raise GatewaySettingsError(f"{self.label}: base_url with this address must {wanted}")
        return url

    def wrong(self, key: str, wanted: str) -> GatewaySettingsError:
        """The error for a value that is not as it must be."""
        return GatewaySettingsError(f"{self.label}: {key} must be {wanted}")


def is_text(value: object, form: re.Pattern[str]) -> bool:
    """Whether the value is a text of this form and nothing else."""
    return isinstance(value, str) and form.fullmatch(value) is not None


def address(label: str, value: object) -> str:
    """The address of a web service, without a slash at its end. Raises GatewaySettingsError."""
    wanted = f"{label} must be an address like https://texts.example.org, with no user, query or fragment"
    if not isinstance(value, str) or not re.fullmatch(r"https?://[!-~]+", value):
        raise GatewaySettingsError(wanted)
    try:
        parts = urlsplit(value)
        port = parts.port
    except ValueError:
        raise GatewaySettingsError(wanted) from None
    if not parts.hostname or port == 0 or set(value) & set("@?#"):
        raise GatewaySettingsError(wanted)
    return value.rstrip("/")
