"""What the API gives out about sites; the sites themselves are GeoJSON, GPX and CSV."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

import msgspec
from msgspec import Meta

from service.web.problems import FieldProblem


class ClubSiteOut(msgspec.Struct, frozen=True):
    """A site in a list: how many points of each kind it has, and until when its tides are known."""

    code: str
    name: str
    zone: Annotated[str, Meta(description="An IANA name.")]
    position: Annotated[tuple[float, float], Meta(description="WGS 84, decimal degrees: north, then east positive.")]
    rescue_call: str
    points: dict[str, int]
    tides_until: datetime | None


class ClubSitesOut(msgspec.Struct, frozen=True):
    """The sites of the club in use, by name."""

    sites: tuple[ClubSiteOut, ...]


class SiteTakenOut(msgspec.Struct, frozen=True):
    """A site that was taken from a file. `notes` says what of the file was left out, and what is worth a look."""

    site: ClubSiteOut
    new: bool
    notes: tuple[FieldProblem, ...]


class TidesTakenOut(msgspec.Struct, frozen=True):
    """How many high and low waters were taken, and the first and last of them."""

    count: int
    first_at: datetime
    last_at: datetime
