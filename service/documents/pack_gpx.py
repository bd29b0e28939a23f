"""The pack for receivers and plotters: GPX 1.1 (Topografix, 2004), with waypoints and the drift as a track.

Order of elements as its schema has it; all positions are WGS84, as GPX demands.
"""

from __future__ import annotations

from datetime import UTC, datetime
from xml.etree import ElementTree as ET

from service.documents.xml_text import child, document
from service.domain.handover import Pack
from service.domain.place.fix import Doubt, Fix
from service.domain.place.position import Position
from service.domain.place.search_area import metres_and_miles
from service.domain.place.site import PointKind, SitePoint

MEDIA_TYPE = "application/gpx+xml"
NAMESPACE = "http://www.topografix.com/GPX/1/1"
CREATOR = "Linetender"

KINDS = {
    PointKind.ENTRY: "Entry",
    PointKind.EXIT: "Exit",
    PointKind.VEHICLE_ACCESS: "Vehicle access",
    PointKind.PARKING: "Parking",
    PointKind.MEETING: "Meeting point",
    PointKind.HAZARD: "Hazard",
    PointKind.SIGNAL: "Phone or signal",
}
"""What a point is for, in words."""


def to_gpx(pack: Pack) -> bytes:
    """The whole file: last known position, points of the site, fixes, datum of each hour, and the drift."""
    gpx = ET.Element("gpx", {"xmlns": NAMESPACE, "version": "1.1", "creator": CREATOR})
    metadata = child(gpx, "metadata")
    child(metadata, "name", f"{pack.headline}, {pack.where.site}")
    child(metadata, "desc", f"Reference {pack.reference}, {pack.club}. {pack.caution}")
    child(metadata, "time", utc(pack.now))
    if pack.where.position is not None:
        _put_point(
            gpx, pack.where.position, "Last known position", pack.where.how, "last known position", pack.where.at
        )
    for point in pack.site.points:
        if point.position is not None:
            _put_point(gpx, point.position, _called(point), point_words(point), KINDS[point.kind].lower())
    for fix in pack.fixes:
        _put_point(gpx, fix.position, f"Fix by {fix.by}", fix_words(fix), "fix", fix.at)
    for picture in pack.pictures:
        _put_point(gpx, picture.datum, f"Datum {utc(picture.at)}", picture.words, "datum", picture.at)
    _put_drift(gpx, pack)
    return document(gpx)


def utc(at: datetime) -> str:
    """A time as XML has it: UTC, whole seconds."""
    return f"{at.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"


def point_words(point: SitePoint) -> str:
    """What is known of a point of a site."""
    found = [
        f"ease {point.ease} of 5" if point.ease is not None else None,
        "emergency vehicles reach it" if point.vehicles else None,
        point.notes,
    ]
    return ". ".join(words for words in found if words)


def fix_words(fix: Fix) -> str:
    """How good a fix is, and why it is not used where it is not."""
    good = "accuracy not said" if fix.accuracy_m is None else f"good to {metres_and_miles(fix.accuracy_m)}"
    if fix.doubt is Doubt.EARLY:
        return f"{good}; not used, it is from long before the dive"
    return good if fix.doubt is None else f"{good}; not used, it cannot be theirs ({fix.doubt.value})"


def _called(point: SitePoint) -> str:
    return f"{KINDS[point.kind]}: {point.name}"


def _put_point(
    gpx: ET.Element, position: Position, name: str, words: str, kind: str, at: datetime | None = None
) -> None:
    """A waypoint; the schema wants time, name, desc and type in this order."""
    point = child(gpx, "wpt", **_degrees(position))
    if at is not None:
        child(point, "time", utc(at))
    child(point, "name", name)
    if words:
        child(point, "desc", words)
    child(point, "type", kind)


def _put_drift(gpx: ET.Element, pack: Pack) -> None:
    if not pack.pictures or pack.where.at is None:
        return
    track = child(gpx, "trk")
    child(track, "name", "Drift from the last known position")
    child(track, "desc", " ".join(pack.search_notes))
    segment = child(track, "trkseg")
    began = pack.where.at if pack.times.started_at is None else max(pack.where.at, pack.times.started_at)
    times = (began, *(picture.at for picture in pack.pictures))
    for position, at in zip(pack.pictures[-1].track, times, strict=True):
        child(child(segment, "trkpt", **_degrees(position)), "time", utc(at))


def _degrees(position: Position) -> dict[str, str]:
    """Six places, a tenth of a metre; the schema has no longitude of 180 east, which is that of 180 west."""
    lon = round(position.lon, 6)
    return {"lat": f"{position.lat + 0.0:.6f}", "lon": f"{(-180.0 if lon >= 180 else lon) + 0.0:.6f}"}  # noqa: PLR2004
