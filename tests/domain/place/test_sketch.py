"""The sketch as a whole: what is on it, that it fits, and that its words say the same."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.place.conditions import Current
from service.domain.place.exits import ExitChoice, exits_for
from service.domain.place.fix import Doubt, Fix, Source
from service.domain.place.geodesy import destination
from service.domain.place.position import Position
from service.domain.place.search_area import CAUTION, Picture, search_pictures
from service.domain.place.site import PointKind, SitePlan, SitePoint
from service.domain.place.sketch import Disc, Line, Mark, MarkKind, Sketch, Style, Text, draw
from service.domain.place.sketch.shapes import MARK_RADIUS
from tests.domain.place.places import BARE, CURRENT, EARLIER, ENTRY, HOUR, LANTERN, LAST, MINUTE, T0, WIND, with_points

DUE_OUT = T0 + 50 * MINUTE
NOW = T0 + 75 * MINUTE
PICTURES = search_pictures(LAST, NOW, CURRENT, WIND)
CHOICES = exits_for(LANTERN, LAST.position, CURRENT, DUE_OUT, ("West steps",))
POSITIONS = st.builds(Position, st.floats(-90, 90), st.floats(-180, 180))


def drawn(
    site: SitePlan = LANTERN,
    last: Fix | None = LAST,
    fixes: tuple[Fix, ...] = (),
    pictures: tuple[Picture, ...] = PICTURES,
    choices: tuple[ExitChoice, ...] = CHOICES,
) -> Sketch:
    """A sketch, which there must be."""
    sketch = draw(site, last, fixes, pictures, choices)
    assert sketch is not None
    return sketch


def kinds(sketch: Sketch) -> set[MarkKind]:
    """The kinds of marks on the map itself."""
    return {shape.kind for shape in sketch.inside if isinstance(shape, Mark)}


def styles(sketch: Sketch) -> set[Style]:
    """The styles of lines and circles on the map itself."""
    return {shape.style for shape in sketch.inside if isinstance(shape, Line | Disc)}


def words(sketch: Sketch) -> list[str]:
    """All words written on the sheet."""
    return [shape.words for shape in sketch.shapes if isinstance(shape, Text)]


def marks(sketch: Sketch, kind: MarkKind) -> list[Mark]:
    """The marks of one kind on the map."""
    return [shape for shape in sketch.inside if isinstance(shape, Mark) and shape.kind is kind]


def assert_holds(sketch: Sketch) -> None:
    """Marks lie wholly in the frame, words on the sheet, and the first search circle is there whole."""
    frame = sketch.frame
    for shape in sketch.inside:
        if isinstance(shape, Mark) and shape.kind is not MarkKind.FIX:
            assert frame.left <= shape.at.x - MARK_RADIUS <= shape.at.x + MARK_RADIUS <= frame.right
            assert frame.top <= shape.at.y - MARK_RADIUS <= shape.at.y + MARK_RADIUS <= frame.bottom
        if isinstance(shape, Disc) and shape.style is Style.RADIUS_NOW:
            assert frame.left <= shape.centre.x - shape.radius <= shape.centre.x + shape.radius <= frame.right
            assert frame.top <= shape.centre.y - shape.radius <= shape.centre.y + shape.radius <= frame.bottom
        if isinstance(shape, Text):
            assert frame.left < shape.at.x < frame.right
            assert frame.top < shape.at.y < frame.bottom
    assert frame.bottom < sketch.height
    assert sketch.width == 360


def test_a_site_alone_shows_its_points_shore_and_scale() -> None:
    """Every kind of point has its mark, or stands in brackets at a neighbour's; the key explains each."""
    sketch = drawn(last=None, pictures=(), choices=())

    assert kinds(sketch) == {
        *(MarkKind.ENTRY, MarkKind.EXIT, MarkKind.VEHICLE_ACCESS, MarkKind.PARKING, MarkKind.MEETING),
        *(MarkKind.SIGNAL, MarkKind.HAZARD),
    } - {MarkKind.PARKING}
    assert styles(sketch) == {Style.SHORE, Style.SCALE}
    assert {"Notice board", "Cove car park (P)", "East beach (1)", "West steps 225 m", "Boat shed 261 m"} <= set(
        words(sketch)
    )
    assert {"N", "200 m", "distances: from entry", "parking", "exit", "hazard", "shore"} <= set(words(sketch))
    assert_holds(sketch)


def test_a_dive_shows_last_fix_drift_and_search() -> None:
    """Firm circle for now, dashed for later, each with its time; datum, track and the time of the fix."""
    sketch = drawn(fixes=(EARLIER, LAST, replace(EARLIER, doubt=Doubt.FAR, position=Position(46, -20))))

    assert {MarkKind.LAST, MarkKind.DATUM, MarkKind.FIX, MarkKind.EXIT_CHOSEN, MarkKind.EXIT_CLOSED} <= kinds(sketch)
    assert len(marks(sketch, MarkKind.FIX)) == 1
    assert {Style.TRACK, Style.RADIUS_NOW, Style.RADIUS_LATER} <= styles(sketch)
    assert {"Last known 10:25", "Datum", "now 11:15", "12:15", "closed at due out", "exit of the plan"} <= set(
        words(sketch)
    )
    assert_holds(sketch)


def test_the_last_fix_shows_its_accuracy_where_it_can_be_seen() -> None:
    """A circle as large as the mark itself is left out."""
    rough, exact = (replace(LAST, accuracy_m=metres) for metres in (200.0, 1.0))

    assert Style.ACCURACY in styles(drawn(last=rough))
    assert Style.ACCURACY not in styles(drawn(last=exact))
    assert Style.ACCURACY not in styles(drawn(last=replace(LAST, accuracy_m=None)))


def test_without_a_drift_there_is_neither_track_nor_datum() -> None:
    """The datum is then the last known position."""
    sketch = drawn(pictures=search_pictures(LAST, NOW))

    assert MarkKind.DATUM not in kinds(sketch)
    assert Style.TRACK not in styles(sketch)
    assert Style.RADIUS_NOW in styles(sketch)


def test_a_short_drift_has_a_track_without_an_arrowhead() -> None:
    """An arrowhead on a short leg would hide it; north and scale bar are the other lines of that style."""
    near = search_pictures(LAST, LAST.at + 3 * MINUTE, Current(90, 0.6), hours=0)
    far = search_pictures(LAST, LAST.at + 40 * MINUTE, Current(90, 0.6), hours=0)

    def firm(pictures: tuple[Picture, ...]) -> int:
        return sum(isinstance(shape, Line) and shape.style is Style.SCALE for shape in drawn(pictures=pictures).inside)

    assert Style.TRACK in styles(drawn(pictures=near))
    assert (firm(near), firm(far)) == (2, 3)


def test_a_circle_that_the_frame_does_not_show_is_not_drawn() -> None:
    """Around the same datum the later ones enclose the whole frame; the key does not speak of them."""
    sketch = drawn(pictures=search_pictures(LAST, NOW, hours=2))

    assert Style.RADIUS_LATER not in styles(sketch)
    assert "first search, later" not in words(sketch)


def test_a_site_that_is_a_speck_beside_the_search_becomes_one_mark() -> None:
    """Far drift: one mark, the site's name, no shore, no distances at exits that are not there."""
    strong = search_pictures(LAST, T0 + 3 * HOUR, Current(110, 3), WIND)
    apart = replace(LAST, position=destination(ENTRY, 200, 4000))

    sketch = drawn(last=apart, pictures=strong)

    assert kinds(sketch) == {MarkKind.LAST, MarkKind.SITE, MarkKind.DATUM}
    assert Style.SHORE not in styles(sketch)
    assert "Lantern Cove" in words(sketch)
    assert "distances: from entry" not in words(sketch)
    assert_holds(sketch)


def test_more_names_than_fit_beside_one_mark_are_counted() -> None:
    """Two names, and how many more; the words under the sketch have them all."""
    here = [SitePoint(PointKind.HAZARD, f"Rock {number}", ENTRY) for number in range(5)]
    away = SitePoint(PointKind.EXIT, "Slip", destination(ENTRY, 90, 300))

    sketch = drawn(with_points(*here, away), last=None, pictures=(), choices=())

    assert "and 4 more" in words(sketch)
    assert sum("Rock" in line for line in sketch.alternative) == 5


def test_a_long_name_is_cut_beside_the_mark_and_whole_in_words() -> None:
    """Twenty-two characters fit beside a mark."""
    name = "The long ladder behind the boat house"
    sketch = drawn(with_points(SitePoint(PointKind.EXIT, name, ENTRY)), last=None, pictures=(), choices=())

    assert any(line.startswith("The long ladder behin…") for line in words(sketch))
    assert any(name in line for line in sketch.alternative)


def test_words_that_find_no_room_are_left_to_the_alternative() -> None:
    """A crowd of names: marks stay, no two labels lie on each other, and the alternative is whole."""
    crowd = [
        SitePoint(PointKind.HAZARD, f"Hidden reef number {row}{column}", destination(ENTRY, 40 * row, 14.0 * column))
        for row in range(9)
        for column in range(1, 8)
    ]
    sketch = drawn(with_points(*crowd), last=None, pictures=(), choices=())

    assert len(sketch.alternative) == 2 + len(crowd)
    assert sum("Hidden" in line for line in words(sketch)) < len(crowd)
    assert_holds(sketch)


@pytest.mark.parametrize(
    ("site", "last"),
    [
        (replace(BARE, position=ENTRY), None),
        (BARE, LAST),
        (replace(BARE, points=(SitePoint(PointKind.EXIT, "Slip", ENTRY),)), None),
        (replace(BARE, position=ENTRY, points=(SitePoint(PointKind.EXIT, "Slip", ENTRY),)), LAST),
    ],
)
def test_one_position_is_enough_for_a_sketch(site: SitePlan, last: Fix | None) -> None:
    """Whichever it is: the site's, a fix, or a point without an entry."""
    sketch = drawn(site, last, pictures=(), choices=())

    assert len(kinds(sketch)) >= 1
    assert_holds(sketch)


def test_without_any_position_there_is_no_sketch() -> None:
    """Points without a place are nothing to draw."""
    assert draw(replace(BARE, points=(SitePoint(PointKind.EXIT, "Slip"),))) is None


def test_the_alternative_says_what_the_drawing_shows() -> None:
    """Points by kind, distance and bearing from the entry; fix, drift and search; the caution last."""
    said = drawn().alternative

    assert said[:6] == (
        "Sketch of Lantern Cove, north up.",
        "Distances and true bearings are from the entry at 47°07.407'N 020°32.593'W.",
        "Entry, East beach: at the entry.",
        "Exit 1, East beach: at the entry.",
        "Exit 2, West steps: 225 m, 257 degrees, WSW, named in the plan.",
        "Exit 3, Boat shed: 261 m, 076 degrees, ENE, closed by the tide at due out.",
    )
    assert "Vehicle access, Shed track: 326 m, 069 degrees, ENE, an emergency vehicle reaches it." in said
    assert "Last known position, at 10:25: 47°07.351'N 020°32.641'W, good to 30 m, 121 m, 210 degrees, SSW." in said
    assert said[-5].startswith("At 11:15: datum 47°")
    assert "first search radius" in said[-5]
    assert said[-1] == CAUTION


def test_the_alternative_of_little_says_little() -> None:
    """Without an entry positions stand for distances; without a drift it says so; without a search no caution."""
    gate = SitePoint(PointKind.PARKING, "Gate", ENTRY)
    said = drawn(replace(BARE, points=(gate,)), LAST, pictures=search_pictures(LAST, NOW, hours=0)).alternative

    assert said[1] == "Parking, Gate: 47°07.407'N 020°32.593'W."
    assert said[2] == "Last known position, at 09:25: 47°07.351'N 020°32.641'W, good to 30 m."
    assert "no drift" in said[3]
    assert drawn(BARE, LAST, pictures=()).alternative[-1] != CAUTION


def test_a_last_known_position_of_another_day_names_the_day() -> None:
    """Beside its mark and in words, as seen from the day of the first picture."""
    sketch = drawn(pictures=search_pictures(LAST, NOW + 24 * HOUR, Current(90, 0.1)))

    assert "Last known Tue 1 Jun 10:25" in words(sketch)
    assert any(line.startswith("Last known position, at Tue 1 Jun 10:25:") for line in sketch.alternative)


def test_a_distance_in_kilometres_has_one_decimal() -> None:
    """To the metre below one kilometre."""
    far = [SitePoint(PointKind.EXIT, f"E{metres}", destination(ENTRY, 0, metres)) for metres in (999.4, 999.6, 1260)]
    entry = SitePoint(PointKind.ENTRY, "Here", ENTRY)

    said = drawn(with_points(entry, *far), last=None, pictures=(), choices=()).alternative

    assert [line.split(": ")[1].split(",")[0] for line in said[3:]] == ["999 m", "1 km", "1.3 km"]


@settings(max_examples=60)
@given(
    st.lists(st.tuples(st.sampled_from(PointKind), POSITIONS), max_size=6),
    POSITIONS | st.none(),
    st.lists(POSITIONS, max_size=3),
    st.builds(Current, st.floats(0, 360), st.floats(0, 12)) | st.none(),
    st.timedeltas(timedelta(0), timedelta(hours=9)),
)
def test_sketches_are_total_all_over_the_globe(
    points: list[tuple[PointKind, Position]],
    fix: Position | None,
    shore: list[Position],
    current: Current | None,
    since: timedelta,
) -> None:
    """Points on all sides of the Earth, at poles and date line: a sketch that holds them, or none without a place."""
    site = replace(
        BARE, points=tuple(SitePoint(kind, "Name", position) for kind, position in points), shoreline=tuple(shore)
    )
    last = None if fix is None else Fix(fix, T0, "Anna Holt", Source.TEXT, 500.0)
    pictures = () if last is None else search_pictures(last, T0 + since, current)
    choices = exits_for(site, fix, current, DUE_OUT)

    sketch = draw(site, last, () if last is None else (last,), pictures, choices)

    assert (sketch is None) == (not points and fix is None)
    if sketch is not None:
        assert_holds(sketch)
        assert draw(site, last, () if last is None else (last,), pictures, choices) == sketch


@settings(max_examples=60)
@given(
    st.floats(-84, 84),
    st.floats(-180, 180),
    st.lists(st.tuples(st.floats(0, 360), st.floats(0, 3000)), min_size=1, max_size=9),
)
def test_a_site_anywhere_is_drawn_with_a_scale_bar(lat: float, lon: float, places: list[tuple[float, float]]) -> None:
    """Points up to a few kilometres apart, wherever on Earth, and a bar to measure them by."""
    entry = Position(lat, lon)
    points = (
        SitePoint(PointKind.ENTRY, "Here", entry),
        *(SitePoint(PointKind.EXIT, f"E{n}", destination(entry, *place)) for n, place in enumerate(places)),
    )
    sketch = drawn(replace(BARE, points=points), None, pictures=(), choices=())

    assert_holds(sketch)
    assert any(line.endswith((" m", " km")) for line in words(sketch))
