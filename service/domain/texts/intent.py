"""What a text means: its kind and the fields that kind needs."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Kind(StrEnum):
    """Every meaning that a text can have."""

    START = "start"
    FINISH = "finish"
    CODE = "code"
    LATE = "late"
    CALL_OFF = "call_off"
    RAISE_NOW = "raise_now"
    WORRY = "worry"
    PLAN = "plan"
    POSITION = "position"
    OK = "ok"
    CALLED = "called"
    NOT_CALLED = "not_called"
    SAFE = "safe"
    ON_SCENE = "on_scene"
    STATUS = "status"
    WHERE = "where"
    PACK = "pack"
    AGREE = "agree"
    DECLINE = "decline"
    OPT_OUT = "opt_out"
    OPT_IN = "opt_in"
    INFO = "info"
    UNCLEAR = "unclear"


@dataclass(frozen=True, slots=True, kw_only=True)
class Intent:
    """The reading of one text. A field that was not in the text is None."""

    kind: Kind
    code: str | None = None
    """Six to nine digits; whether the check digit fits is for the operation to find out."""
    count: int | None = None
    """People, 1 to 99."""
    of: int | None = None
    """Out of how many, where a finish or a SAFE says so: "2 of 3"."""
    position: tuple[float, float] | None = None
    """Latitude and longitude in decimal degrees, six places."""
    accuracy_m: float | None = None
    """Metres that the position may be off, where its figures are so few that it matters."""
    short_code: str | None = None
    """A short plus code, which means a place only near the site of the sender's dive."""
    minutes: int | None = None
    """1 to 600."""
    until: str | None = None
    """HH:MM, local to the site, as typed."""
    site: str | None = None
    """Code, alias or name of a site as typed, in capitals."""
    time_in: str | None = None
    """HH:MM, local to the site, or "now"."""
    day: str | None = None
    """The word for the day of a plan as typed, in capitals, such as TOMORROW; None for the next such time."""
    depth_m: float | None = None
    note: str | None = None
    """What followed SOS, word for word."""
    reference: str | None = None
    """The number that a rescue service gave a contact."""
    reserved: bool | None = None
    """True for HELP, which carriers may answer themselves."""
    near: Kind | None = None
    """For an unclear text: what was probably meant."""
    trouble: str | None = None
    """For a position that was not understood: what is wrong with it and how to write it."""
    signed: str | None = None
    """For an unclear text that would be an OK: the words behind it, which may be the sender's own name."""
    own: bool | None = None
    """True for SAFE and NOT CALLED of those who text it themselves (we, I, us): it is no word about others."""
    willing: bool | None = None
    """True for an OK in words of their own, such as "on my way": of a diver that may be on the way to the shore."""
    ref: str | None = None
    """The two-character reference of the dive that is meant, such as 7K."""
