"""The pack on paper: two A4 pages, read back from the pixels and the text of the file."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from io import BytesIO

import pypdfium2
import pytest
from reportlab.pdfgen.canvas import Canvas

from service.documents.pack_pdf import made_at, to_pdf
from service.documents.pdf_fonts import load, printable
from service.documents.sketch_pdf import to_drawing
from service.domain.dive import commands as do
from service.domain.handover import Moment, Pack
from service.domain.place.position import Position
from service.domain.place.site import PointKind, SitePoint
from service.domain.place.sketch import Disc, Line, Mark, MarkKind, Sketch, Style, Text
from service.domain.place.sketch.shapes import Box, Dot
from service.domain.plan import Contact, Diver
from tests.domain.builders import CONTACT_PHONES, at, contact
from tests.domain.place.places import LANTERN
from tests.domain.rescue_dives import FULL_PLAN, overdue_with_everything, overdue_with_nothing, pack_of

A4_PT = (595, 842)
SCALE = 2  # pixels to a point
DARK = 128


@pytest.fixture(scope="module")
def full() -> Pack:
    """The pack of the dive of which everything is known."""
    return pack_of(overdue_with_everything())


def pages_of(document: bytes) -> list[str]:
    """The text of each page, its lines joined."""
    with pypdfium2.PdfDocument(document) as opened:
        found = []
        for page in opened:
            text = page.get_textpage()
            found.append(" ".join(text.get_text_range().split()))
            text.close()
            page.close()
        return found


def ink(document: bytes, page_number: int, box: tuple[float, float, float, float]) -> float:
    """The share of dark pixels in a part of a page, given in points from its upper left corner."""
    with pypdfium2.PdfDocument(document) as opened:
        page = opened[page_number]
        bitmap = page.render(scale=SCALE, grayscale=True)
        image = bitmap.to_pil().crop(tuple(int(edge * SCALE) for edge in box))
        bitmap.close()
        page.close()
    histogram = image.histogram()
    return sum(histogram[:DARK]) / sum(histogram)


def crowded(drill: bool = True) -> Pack:  # noqa: FBT001, FBT002
    """The most words that a plan may hold, a site full of points, and a log of a long night."""
    words = ("Red and white and seen from far " * 10)[:300].strip()
    plan = replace(
        FULL_PLAN,
        party=tuple(
            Diver(f"{number} Wilhelmina Featherstonehaugh of the {'long ' * 5}name"[:60], f"+4477009001{number:02d}")
            for number in range(12)
        ),
        contacts=tuple(
            Contact(f"{number} Bartholomew Cholmondeley of the {'long ' * 5}name"[:60], CONTACT_PHONES[number])
            for number in range(6)
        ),
        site=replace(
            LANTERN,
            name="Lantern " * 7,
            access=words,
            points=LANTERN.points
            + tuple(
                SitePoint(
                    PointKind.EXIT, f"Exit {number} " + "far " * 10, Position(47.12 + number / 1000, -20.54), 3, words
                )
                for number in range(30)
            ),
        ),
        vehicle=words,
        kit=words,
        smb=words,
        notes=words,
        medical=words,
    )
    made = pack_of(overdue_with_everything(plan, drill=drill))
    moments = tuple(Moment(at(number), f"{number}: {words}") for number in range(200))
    return replace(made, timeline=moments)


def test_a_usual_pack_is_two_a4_pages(full: Pack) -> None:
    """One sheet, printed on both sides."""
    with pypdfium2.PdfDocument(to_pdf(full)) as opened:
        sizes = [opened.get_page_size(number) for number in range(len(opened))]

    assert [(round(width), round(height)) for width, height in sizes] == [A4_PT, A4_PT]


def test_the_same_pack_is_the_same_file(full: Pack) -> None:
    """Nothing of when or where it was written is in it but what the pack says."""
    assert to_pdf(full) == to_pdf(full)


def test_the_text_says_who_how_many_where_and_when(full: Pack) -> None:
    """As a reader of the file finds it, on the first page."""
    first, _ = pages_of(to_pdf(full))

    for words in (
        "Overdue divers: Anna Holt, 2 divers",
        "2 divers: Anna Holt, Bram Vik.",
        "Lantern Cove (LANTERN)",
        "47.12251,-20.54402",
        "47°07.351'N 020°32.641'W",
        "89VX4FF4+295",
        "In 10:00, due out 10:50: overdue by 42 min.",
        "By text from Anna Holt, 10:38 (54 min ago), good to 30 m.",
        "Rescue called 11:24 by Cleo Marsh, incident SKB 0417.",
        "four seven degrees, zero seven decimal three five one minutes north",
        "Bram Vik: insulin",
        "+44 7700 900001",
        "+44 7700 900012",
    ):
        assert words in first, words


def test_every_fact_of_the_pack_is_on_its_pages(full: Pack) -> None:
    """Facts, exits, drift, timeline and cautions: the paper must do without the page."""
    text = " ".join(pages_of(to_pdf(full)))
    wanted = [fact.words for fact in (*full.first, *full.more) if fact.key not in ("what", "where", "search")]
    wanted += [fact.caution for fact in full.first if fact.caution]
    wanted += [picture.words for picture in full.pictures] + [moment.words for moment in full.timeline]

    for words in [*wanted, full.caution, "1 East beach", "Vehicle access: Shed track"]:
        assert " ".join(printable(words).split()) in text, words


def test_each_page_says_which_of_how_many_it_is_and_when_it_was_printed(full: Pack) -> None:
    """A loose sheet must be recognised as half of something, and as old."""
    for number, text in enumerate(pages_of(to_pdf(full)), start=1):
        assert f"Page {number} of 2" in text
        assert "Ref 7K, Skerry Bay Divers. Printed at Tue 1 Jun 2027 11:32 Europe/London (10:32 UTC)." in text


def test_the_sketch_is_drawn_with_lines(full: Pack) -> None:
    """Its part of the second page holds ink, and neither is a black block."""
    share = ink(to_pdf(full), 1, (45, 40, 320, 300))

    assert 0.01 < share < 0.3


def test_without_a_position_there_is_no_sketch_and_the_rest_stands() -> None:
    """The name of the site is all there is."""
    first, second = pages_of(to_pdf(pack_of(overdue_with_nothing())))

    assert "Where: Nameless gully" in first
    assert "No exits are in the notes of this site." in second


def test_a_drill_is_marked_on_every_page() -> None:
    """In a band across the head, and at the foot of each."""
    document = to_pdf(pack_of(overdue_with_everything(drill=True)))

    first, second = pages_of(document)

    assert "EXERCISE EXERCISE EXERCISE" in first
    assert "call no rescue service unless it has agreed" in first
    assert "EXERCISE Ref 7K" in second
    assert ink(document, 0, (45, 32, 550, 50)) > 0.5


def test_a_closed_dive_says_that_it_is_over() -> None:
    """At the head, and first of what was done."""
    story = overdue_with_everything()
    story.does(do.ReportSafe(contact(0), count=2), at(95))

    first, _ = pages_of(to_pdf(pack_of(story, 96)))

    assert "It is over: all are safe (2 divers)" in first
    assert "said by Cleo Marsh, 11:35." in first


def test_the_fullest_pack_still_has_two_pages() -> None:
    """Long words are cut and marked; who, how many, where, when and whom to call are whole."""
    made = crowded()
    pages = pages_of(to_pdf(made))
    text = " ".join(pages)

    assert len(pages) == 2
    assert "..." in text
    for key in ("who", "how_known", "since", "done", "on_scene", "rescue"):
        fact = made.fact(key)
        assert fact is not None
        assert fact.words in text, key
    assert all(form.words in text for form in made.where.forms)
    assert made.headline in text


def test_a_pack_beyond_all_measure_is_longer_rather_than_lost() -> None:
    """Nothing in it is left out to keep two pages that who and where need."""
    made = crowded()
    endless = replace(made, names=made.names, script=tuple(f"{number} words to say" for number in range(2000)))

    assert len(pages_of(to_pdf(endless))) > 2


def test_names_that_the_face_has_no_letters_for_stay_recognisable() -> None:
    """Transliterated, as in the texts; markup in a name is only words."""
    plan = replace(FULL_PLAN, party=(Diver("Юлия <b>Žižka", FULL_PLAN.party[0].phone), Diver("Nguyễn & Đỗ")))

    first, _ = pages_of(to_pdf(pack_of(overdue_with_everything(plan))))

    assert "2 divers: Yuliya <b>Žižka, Nguyen & Đo." in first


def test_letters_of_the_face_are_kept() -> None:
    """Degree sign, quotation marks and accents are printed as they are."""
    load()

    assert printable("47° “é” ø\nß") == "47° “é” ø ß"


def test_the_time_is_said_for_the_site_and_in_utc(full: Pack) -> None:
    """The day too, since a sheet outlives its day."""
    assert made_at(full) == "Tue 1 Jun 2027 11:32 Europe/London (10:32 UTC)"
    west = replace(full, now=datetime(2027, 6, 2, 2, 30, tzinfo=UTC), zone="Atlantic/South_Georgia")
    assert made_at(west) == "Wed 2 Jun 2027 00:30 Atlantic/South_Georgia (02:30 UTC)"
    earlier = replace(west, now=datetime(2027, 6, 2, 1, 30, tzinfo=UTC))
    assert made_at(earlier) == "Tue 1 Jun 2027 23:30 Atlantic/South_Georgia (Wed 2 Jun 01:30 UTC)"


FRAME = Box(20, 20, 340, 340)


def drawn(*shapes: Line | Disc | Mark | Text) -> float:
    """How much ink a sketch with these shapes inside its frame leaves on a page of its own."""
    load()
    buffer = BytesIO()
    sheet = Canvas(buffer, pagesize=(400, 360))
    to_drawing(Sketch(360, 360, FRAME, shapes, (), ("x",)), 360).drawOn(sheet, 0, 0)
    sheet.save()
    return ink(buffer.getvalue(), 0, (0, 0, 400, 360))


def test_every_sign_of_the_sketch_is_drawn() -> None:
    """Each kind of mark, line and circle leaves ink of its own on the page."""
    seen = {kind: drawn(Mark(kind, Dot(180, 180), "3")) for kind in MarkKind}
    lines = {style: drawn(Line((Dot(40, 40), Dot(180, 60), Dot(300, 300)), style)) for style in Style}
    rings = {style: drawn(Disc(Dot(180, 180), 90, style)) for style in Style}

    assert drawn() == 0
    assert all(share > 0 for share in (*seen.values(), *lines.values(), *rings.values()))
    assert lines[Style.SHORE] == max(lines.values())
    assert rings[Style.RADIUS_LATER] < rings[Style.RADIUS_NOW]
    assert drawn(Text(Dot(180, 180), "North slip")) > 0
    assert drawn(Text(Dot(180, 180), "North slip", "end", turned=True, bold=True)) > 0


def test_a_drift_of_no_length_has_no_arrowhead() -> None:
    """It would point anywhere."""
    still = drawn(Line((Dot(40, 40), Dot(40, 40)), Style.TRACK))

    assert still < drawn(Line((Dot(40, 40), Dot(41, 40)), Style.TRACK))


def test_what_lies_outside_the_frame_is_not_drawn() -> None:
    """A search circle of many miles must not run over the words beside it."""
    assert drawn(Disc(Dot(180, 180), 400, Style.RADIUS_NOW)) == 0
    assert drawn(Disc(Dot(340, 180), 30, Style.RADIUS_NOW)) < drawn(Disc(Dot(180, 180), 30, Style.RADIUS_NOW))


def test_without_a_timeline_its_heading_is_left_out(full: Pack) -> None:
    """A heading over nothing would look like something lost."""
    assert "What happened" not in " ".join(pages_of(to_pdf(replace(full, timeline=()))))


def test_a_pack_grows_with_the_hours_of_an_alarm(full: Pack) -> None:
    """Later the day is named with the time."""
    story = overdue_with_everything()
    next_day = pack_of(story, 60 * 20)

    assert "Tue 1 Jun 10:38" in pages_of(to_pdf(next_day))[0]
    assert next_day.now - full.now > timedelta(hours=1)
