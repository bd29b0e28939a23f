"""The time zone of a position."""

from __future__ import annotations

from service.domain.local_time import is_zone
from service.domain.place.position import Position

_AT_SEA = "Etc/"  # zones that follow the meridians only, with no summer time: what the borders file has for the oceans


def zone_at(position: Position) -> str | None:
    """The IANA zone whose borders hold a position, by tzfpy's borders; None where this machine knows none for it.

    On the high seas it is one of Etc/GMT-12 to Etc/GMT+12, which no clock ashore shows.
    """
    # The borders take some megabytes and a tenth of a second: only who asks for a zone pays.
    from tzfpy import get_tz  # noqa: PLC0415

    zone = get_tz(position.lon, position.lat)
    return zone if is_zone(zone) else None


def zone_ashore(position: Position, otherwise: str) -> str:
    """The zone of a position, where that has clocks ashore; `otherwise` at sea or where none is known."""
    zone = zone_at(position)
    return otherwise if zone is None or zone.startswith(_AT_SEA) else zone
