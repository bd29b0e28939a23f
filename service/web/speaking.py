"""How a page writes times, places, phones and other people's words."""

from __future__ import annotations

import re
import unicodedata
from datetime import datetime
from zoneinfo import ZoneInfo

from service.domain.dialling import number_to_dial
from service.domain.dive import Dive
from service.domain.handover.situation import counted_and_named
from service.domain.local_time import place_of, say
from service.domain.phone import national_format
from service.domain.place.position import Position, decimal
from service.domain.place.writing import degrees_minutes

WORDS_SHOWN_MAX = 500

# Of our pages that let somebody act: an address up to the token, and the token.
_TOKEN = re.compile(r"(://\S+?/(?:alarm|dive|handover|contact)/)[A-Za-z0-9_-]{16,}")
_NOT_SHOWN = ("Cc", "Cf", "Co", "Cs", "Cn", "Zl", "Zp")


def clock(at: datetime, zone: str, now: datetime) -> str:
    """A time at the site, with its day when that is not today."""
    return say(at, zone, now)


def zone_name(zone: str) -> str:
    """A zone in words: "Reykjavik time"."""
    return f"{place_of(zone)} time"


def iso(at: datetime, zone: str) -> str:
    """A time for programs, with the site's offset."""
    return at.astimezone(ZoneInfo(zone)).isoformat(timespec="seconds")


def span(seconds: float) -> str:
    """A length of time: "4 min", "1 h 10 min", "2 days 3 h"; rounded down."""
    minutes = int(abs(seconds) // 60)
    hours, days = minutes // 60, minutes // (24 * 60)
    if days:
        return f"{days} {'day' if days == 1 else 'days'} {hours % 24} h"
    if hours:
        return f"{hours} h {minutes % 60} min"
    return f"{minutes} min" if minutes else "less than a minute"


def away(at: datetime, now: datetime) -> str:
    """How far a time is from now: "in 12 min" or "4 min ago"."""
    seconds = (at - now).total_seconds()
    return f"in {span(seconds)}" if seconds > 0 else f"{span(seconds)} ago"


def decimal_position(position: Position) -> str:
    """Degrees with five decimals, as the texts have them."""
    return decimal(position)


def heads(count: int) -> str:
    """How many divers."""
    return "1 diver" if count == 1 else f"{count} divers"


def phone(number: str, region: str | None = None) -> str:
    """A number as people write it."""
    return national_format(number, region)


def tel(words: str, region: str | None = None) -> str | None:
    """A tel: address for the first number within words, such as a rescue call; None where none is beyond doubt.

    `region` (ISO 3166) is the country whose national numbers may stand there.
    """
    number = number_to_dial(words, region or None)  # a page without a country must be shown too
    return None if number is None else f"tel:{number}"


def visible(words: str, most: int = WORDS_SHOWN_MAX) -> str:
    """Somebody's words with what cannot be seen, or turns text around, written out; cut to a length a page can bear."""
    flat = " ".join(words.split())
    if flat.isprintable():  # as nearly everything is: nothing in it is of those kinds
        return flat if len(flat) <= most else f"{flat[:most]} [cut]"
    shown = "".join(f"[U+{ord(c):04X}]" if unicodedata.category(c) in _NOT_SHOWN else c for c in flat)
    return shown if len(shown) <= most else f"{shown[:most]} [cut]"


def party(dive: Dive) -> str:
    """How many went in, and whom the plan names."""
    return counted_and_named(dive, [visible(diver.name, 60) for diver in dive.divers])


def own_link(body: str, public_url: str) -> tuple[str, str]:
    """A text of ours and the path of the page of ours that it ends with; an empty path where it ends with none."""
    words, _, last = body.rpartition(" ")
    path = last.removeprefix(public_url)
    if path == last or not path.startswith("/"):
        return body, ""
    return words, path


def without_token(body: str) -> str:
    """A text of ours without the tokens of its links: whoever reads it must not act as the one whom it was sent to."""
    return _TOKEN.sub(r"\1...", body)


CALL_ENDS = {
    "no-answer": "nobody answered",
    "busy": "it was busy",
    "completed": "a machine answered",
}


def call_end(ended: str) -> str:
    """How a call to a practice phone ended."""
    return CALL_ENDS.get(ended, f"{ended} was pressed")


FILTERS = {
    "call_end": call_end,
    "clock": clock,
    "zone_name": zone_name,
    "iso": iso,
    "away": away,
    "decimal_position": decimal_position,
    "degrees_minutes": degrees_minutes,
    "heads": heads,
    "phone": phone,
    "own_link": own_link,
    "tel": tel,
    "visible": visible,
    "party": party,
}
