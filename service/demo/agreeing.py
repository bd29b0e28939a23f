"""The alarm's pages, files and texts side by side: the tour fetches them, keeps them, and says where they differ."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from html import unescape
from pathlib import Path
from typing import Final
from xml.etree import ElementTree as ET
from zoneinfo import ZoneInfo

from service.demo.phones import Phones
from service.domain.place.position import Position, decimal

FILES: Final = ("pack.pdf", "pack.xml", "pack.gpx", "pack.geojson")
_LINK: Final = r"\S+/{kind}/[\w-]+"
_GPX: Final = "{http://www.topografix.com/GPX/1/1}"
_SAME_PLACE_DEG: Final = 0.000005  # half of the last place of decimal degrees in our texts


@dataclass(frozen=True, slots=True)
class Facts:
    """What everything must say: who leads, how many, where, and the two times as the site's clock shows them."""

    lead: str
    heads: str
    position: Position
    went_in: str
    due_out: str

    @property
    def words(self) -> tuple[str, ...]:
        """What must stand in every text and on every page."""
        return (self.lead, self.heads, decimal(self.position), self.went_in, self.due_out)


def facts_of(dive: dict[str, object], lead: str, heads: str, position: Position, zone: ZoneInfo) -> Facts:
    """The facts, with the times as the API has them."""
    times = [datetime.fromisoformat(str(dive[name])).astimezone(zone) for name in ("started_at", "due_out")]
    return Facts(lead, heads, position, *(f"{at:%H:%M}" for at in times))


def link_in(texts: list[str], kind: str) -> str | None:
    """The newest link of a kind in some texts."""
    found = [link for text in texts for link in re.findall(_LINK.format(kind=kind), text)]
    return found[-1] if found else None


def compare(phones: Phones, alert: str, alarm_url: str, pack_url: str, facts: Facts, keep_in: Path) -> list[str]:
    """Fetch the alarm page, the pack and its files, keep them in a directory, and give what differs, in words."""
    alarm, pack = (_plain(phones.page(url)) for url in (alarm_url, pack_url))
    files = {name: phones.file_at(f"{pack_url}/{name}") for name in FILES}
    keep_in.mkdir(parents=True, exist_ok=True)
    for name, content in files.items():
        (keep_in / name).write_bytes(content)
    said = {"the alert": alert, "the alarm page": alarm, "the pack": pack, "pack.xml": _cap_words(files["pack.xml"])}
    faults = [
        f"{where} does not say {words}" for where, text in said.items() for words in facts.words if words not in text
    ]
    places = {"pack.gpx": _gpx_places(files["pack.gpx"]), "pack.geojson": _geojson_places(files["pack.geojson"])}
    return faults + [
        f"{where} does not have the last known position"
        for where, positions in places.items()
        if not any(_same(position, facts.position) for position in positions)
    ]


def _plain(page: str) -> str:
    """The words of a page."""
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", page)).split())


def _cap_words(content: bytes) -> str:
    # Made by our own web process a moment ago, so no stranger's XML.
    return " ".join(ET.fromstring(content).itertext())  # noqa: S314


def _gpx_places(content: bytes) -> Iterator[Position]:
    for point in ET.fromstring(content).iter(f"{_GPX}wpt"):  # noqa: S314 - as above
        yield Position(float(point.attrib["lat"]), float(point.attrib["lon"]))


def _geojson_places(content: bytes) -> Iterator[Position]:
    for feature in json.loads(content)["features"]:
        geometry = feature["geometry"]
        if geometry is not None and geometry["type"] == "Point":
            lon, lat = geometry["coordinates"][:2]
            yield Position(lat, lon)


def _same(one: Position, two: Position) -> bool:
    return abs(one.lat - two.lat) <= _SAME_PLACE_DEG and abs(one.lon - two.lon) <= _SAME_PLACE_DEG
