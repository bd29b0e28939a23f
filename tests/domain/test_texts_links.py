"""Links and geo: addresses by which phones share where somebody is."""

from __future__ import annotations

import pytest

from service.domain.texts import Kind, read

SLIP = (47.12345, -20.54321)
SHARED = [
    "https://maps.example/?q=47.12345,-20.54321",
    "https://maps.example/?q=47.12345%2C-20.54321",
    "https://maps.example/?q=+47.12345,+-20.54321",
    "http://maps.example/maps/@47.12345,-20.54321,15z",
    "https://maps.example/place/47.12345,-20.54321/@47.12345,-20.54321,17z",
    "https://maps.example/?mlat=47.12345&mlon=-20.54321#map=15/47.12345/-20.54321",
    "https://maps.example/?lon=-20.54321&lat=47.12345",
    f"https://maps.example/{'a' * 150}?q=47.12345,-20.54321",
    "HTTPS://MAPS.EXAMPLE/?Q=47.12345,-20.54321.",
    "geo:47.12345,-20.54321",
    "geo:47.12345,-20.54321?z=15",
    "geo:0,0?q=47.12345,-20.54321",
    "geo:0,0?z=15&q=47.12345%2C-20.54321(Anna%20Holt)",
    "geo:47.12345,-20.54321?q=47.12345,-20.54321(Anna Holt)",
]


@pytest.mark.parametrize("link", SHARED)
@pytest.mark.parametrize("frame", ["{}", "AT {}", "My location: {}", "my current location is {}", "I'm here {} thanks"])
def test_a_shared_place_is_a_position(link: str, frame: str) -> None:
    """Whatever service made the link, and with the words that phones put before it."""
    intent = read(frame.format(link))

    assert (intent.kind, intent.position, intent.accuracy_m) == (Kind.POSITION, SLIP, None)


@pytest.mark.parametrize("link", SHARED)
def test_a_shared_place_is_read_behind_a_start_and_a_call_for_help(link: str) -> None:
    """As every position is."""
    start, call = read(f"IN 482139 {link}"), read(f"SOS {link}")

    assert (start.kind, start.code, start.position) == (Kind.START, "482139", SLIP)
    assert (call.kind, call.note, call.position) == (Kind.RAISE_NOW, None, SLIP)


@pytest.mark.parametrize(
    "link",
    [
        pytest.param("https://maps.example/aB3dE", id="none"),
        pytest.param("https://maps.example/?ll=47.12,-20.54", id="few figures"),
        pytest.param("https://maps.example/?q=97.12345,-20.54321", id="no such place"),
        pytest.param("https://maps.example/@47.12345,-20.54321,17z/!3d47.12399!4d-20.54300", id="shown, marked"),
        pytest.param("https://maps.example/?q=47.12345,-20.54321&c=47.2,-20.51234", id="another number like one"),
        pytest.param("https://maps.example/?lonlat=-20.54321,47.12345", id="longitude first"),
        pytest.param("https://maps.example/?from=47.12345,-20.54321&to=47.22345,-20.54321", id="a way"),
        pytest.param("https://a.example/?q=47.12345,-20.54321 https://a.example/?q=48.12345,-20.54321", id="two links"),
        pytest.param("https://maps.example/tile/47.1234567.8,20.1234", id="no number"),
    ],
)
def test_a_link_that_is_not_unmistakable_is_asked_about(link: str) -> None:
    """A wrong place would send rescue there; the answer says how to text a position."""
    intent = read(link)

    assert (intent.kind, intent.near, intent.position) == (Kind.UNCLEAR, Kind.POSITION, None)


@pytest.mark.parametrize("text", ["OUT {}", "OUT 2 {}", "SAFE 2 {}", "all out {}", "come and get us {}"])
def test_other_words_beside_a_link_make_it_no_form(text: str) -> None:
    """Least of all a finish; the whole text is kept."""
    assert read(text.format(SHARED[0])).kind is Kind.UNCLEAR


def test_words_of_trouble_beside_a_link_raise_the_alarm_with_it() -> None:
    """The link is passed on as it came."""
    assert read(f"lost Bram {SHARED[0]}").kind is Kind.WORRY
    assert read(f"SOS lost Bram {SHARED[0]}").note == f"lost Bram {SHARED[0]}"


@pytest.mark.parametrize("text", ["is this it? {}", "{} ?"])
def test_a_question_mark_of_the_sender_still_asks(text: str) -> None:
    """Only those within a link are none of theirs."""
    assert read(text.format(SHARED[0])).kind is Kind.UNCLEAR


@pytest.mark.parametrize(
    ("text", "kind", "accuracy_m"),
    [
        ("geo:47.12,-20.54", Kind.POSITION, 673),
        ("geo:47.12345,-20.5", Kind.POSITION, None),  # a program that leaves out noughts
        ("geo:47.12,-20.54;u=35", Kind.POSITION, 35),
        ("geo:47,-20;u=35", Kind.POSITION, 35),
        ("IN 482139 geo:47.1,-20.5", Kind.START, 6730),
    ],
)
def test_a_geo_address_of_few_figures_says_how_far_it_may_be_off(
    text: str, kind: Kind, accuracy_m: float | None
) -> None:
    """It was taken for a point. What it says of its uncertainty itself holds."""
    intent = read(text)

    assert (intent.kind, intent.position is None) == (kind, False)
    assert intent.accuracy_m == (None if accuracy_m is None else pytest.approx(accuracy_m, rel=0.01))


@pytest.mark.parametrize(
    ("text", "trouble"),
    [
        ("geo:47,-20", "may be 67447 m off"),
        ("geo:0,0?q=Lantern+Cove", "has a name and no position"),
        ("geo:47.1,-20.5?q=48.12345,-20.54321", "has two positions"),
    ],
)
def test_a_geo_address_that_is_no_one_place_is_answered_with_what_is_wrong(text: str, trouble: str) -> None:
    """As every position is that was not understood."""
    intent = read(text)

    assert (intent.kind, intent.near) == (Kind.UNCLEAR, Kind.POSITION)
    assert trouble in (intent.trouble or "")
