"""The time zone of a position, ashore and at sea."""

from __future__ import annotations

import pytest

from service.domain.local_time import is_zone
from service.domain.place.position import Position
from service.operations import zones
from service.operations.zones import zone_ashore, zone_at


@pytest.mark.parametrize(
    ("lat", "lon", "zone"),
    [
        pytest.param(60.4, 5.3, "Europe/Oslo", id="ashore"),
        pytest.param(47.12345, -20.54321, "Etc/GMT+1", id="mid-ocean"),
        pytest.param(0, 180, "Etc/GMT-12", id="the date line from the west"),
        pytest.param(0, -180, "Etc/GMT+12", id="the date line from the east"),
        pytest.param(90, 0, "Etc/GMT", id="the north pole"),
        pytest.param(-90, 0, "Antarctica/McMurdo", id="the south pole"),
    ],
)
def test_every_position_has_a_zone_that_we_know(lat: float, lon: float, zone: str) -> None:
    """Also on the high seas, where it follows the meridians."""
    assert zone_at(Position(lat, lon)) == zone
    assert is_zone(zone)


def test_at_sea_the_clocks_ashore_win() -> None:
    """No harbour clock shows Etc/GMT+1."""
    assert zone_ashore(Position(47.12345, -20.54321), "Europe/London") == "Europe/London"
    assert zone_ashore(Position(60.4, 5.3), "Europe/London") == "Europe/Oslo"


def test_a_zone_that_this_machine_does_not_know_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    """Borders may be newer than the machine's rules: the club's zone holds then."""
    monkeypatch.setattr(zones, "is_zone", lambda _: False)

    assert zone_at(Position(60.4, 5.3)) is None
    assert zone_ashore(Position(60.4, 5.3), "Europe/London") == "Europe/London"
