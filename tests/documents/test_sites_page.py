"""What docs/sites.md shows is what is read."""

from __future__ import annotations

import re
from dataclasses import fields
from pathlib import Path

from service.documents.site_geojson import from_geojson
from service.documents.tides_csv import from_csv
from service.domain.place.site import PointKind
from service.domain.place.tide import TideWindow

PAGE = (Path(__file__).parents[2] / "docs" / "sites.md").read_text(encoding="utf-8")


def block(beginning: str) -> bytes:
    """The one example of the page that begins so."""
    (found,) = [one for one in re.findall(r"```\n(.*?)```", PAGE, re.DOTALL) if one.startswith(beginning)]
    return found.encode()


def test_the_geojson_of_the_page_is_a_site() -> None:
    """It can be copied and imported, and nothing of it is left out."""
    read = from_geojson(block('{"type": "FeatureCollection"'))

    assert read.site.code == "LANTERN"
    assert [point.name for point in read.site.points] == ["West steps", "Ladder"]
    assert len(read.site.shoreline) == 2
    assert read.left_out == ()


def test_the_tides_of_the_page_are_a_list() -> None:
    """It can be copied and imported."""
    assert [one.high for one in from_csv(block("at,height_m"), "Europe/London")] == [True, False]


def test_the_page_names_every_kind_and_every_bound() -> None:
    """Nobody has to guess a name."""
    names = [*PointKind, *(field.name for field in fields(TideWindow)), "ease", "vehicles", "set_deg", "drift_kn"]

    assert [name for name in names if f"`{name}`" not in PAGE] == []
