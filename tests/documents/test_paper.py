"""Signs and cards on paper: read back from the text, the boxes and the pixels of the files."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import pypdfium2
import pytest

from service.documents import fridge_card, plan_card, site_sign
from service.documents.fridge_card import FridgeCard
from service.documents.paper import READABLE, Paper, fitted, page
from service.documents.pdf_fonts import printable
from service.documents.plan_card import PlanCard, card_of
from service.documents.sheet_blocks import Area, Block, Said, said, space, under
from service.documents.site_sign import Sign
from service.domain.language import LANGUAGES
from service.domain.place.position import Position
from service.domain.plan import Contact, Diver
from service.domain.texts import Kind, examples, read
from tests.documents.qr_reading import read_square
from tests.domain.builders import CONTACT_PHONES
from tests.domain.rescue_dives import FULL_PLAN, overdue_with_everything

SIGN = Sign(
    club="Skerry Bay Divers",
    site="Lantern Steps",
    code="LANTERN",
    number="+447700900000",
    rescue_call="112, ask for sea rescue",
    position=Position(47.12345, -20.54321),
)
LONG_SIGN = replace(
    SIGN,
    club="Skerry Bay Divers and Friends of the Long Northern Shore 1961",
    site="The Very Long Lantern Steps Below the Old Chapel of Skerries",
    code="LANTERNSTEPSBELOWTHEBAYS",
    rescue_call="Sea rescue centre of the North 07700 900999 or 112, ch 16",
)
FRIDGE = FridgeCard(SIGN.club, SIGN.number, SIGN.rescue_call)
BLANK = PlanCard(SIGN.club)
CROWD = card_of(
    overdue_with_everything(
        replace(
            FULL_PLAN,
            party=tuple(
                Diver(f"{number} Wilhelmina Featherstonehaugh of the {'long ' * 5}"[:60], f"+4477009001{number:02d}")
                for number in range(12)
            ),
            contacts=tuple(
                Contact(f"{number} Bartholomew Cholmondeley of the {'long ' * 5}name"[:60], CONTACT_PHONES[number])
                for number in range(6)
            ),
        )
    ).dive
)
SHEETS = {
    "sign": (site_sign, SIGN),
    "sign with long names": (site_sign, LONG_SIGN),
    "plan card to fill in": (plan_card, BLANK),
    "plan card of a crowd": (plan_card, replace(CROWD, club=LONG_SIGN.club, rescue_call=LONG_SIGN.rescue_call)),
    "contact's card": (fridge_card, FRIDGE),
    "contact's card, long": (fridge_card, FridgeCard(LONG_SIGN.club, SIGN.number, LONG_SIGN.rescue_call)),
    "contact's card to fill in": (fridge_card, FridgeCard(SIGN.club, SIGN.number)),
}


def words_of(document: bytes) -> str:
    """All words of its pages."""
    with pypdfium2.PdfDocument(document) as opened:
        text = opened[0].get_textpage()
        found = " ".join(text.get_text_range().split())
        text.close()
        return found


def lines_of(document: bytes) -> list[tuple[str, tuple[float, float, float, float]]]:
    """The lines of words as a reader of the file finds them, each with left, bottom, right and top in points."""
    with pypdfium2.PdfDocument(document) as opened:
        text = opened[0].get_textpage()
        boxes = [text.get_rect(number) for number in range(text.count_rects())]
        found = [(" ".join(text.get_text_bounded(*box).split()), box) for box in boxes]
        text.close()
        return found


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("paper", Paper)
@pytest.mark.parametrize("name", SHEETS)
def test_a_sheet_is_one_page_with_every_word_and_nothing_over_anything_else(
    name: str, paper: Paper, language: str
) -> None:
    """On either paper and in every language, also with the longest names: nothing is cut off, nothing overlaps.

    And what is essential never gets smaller than what carries over two metres, whatever else gives way.
    """
    module, values = SHEETS[name]
    block = module.layout(values, paper, language)
    document = page(paper, block, name, language)
    width, height = paper.size
    with pypdfium2.PdfDocument(document) as opened:
        assert len(opened) == 1
        assert opened.get_page_size(0) == pytest.approx((width, height))

    read_back = words_of(document).replace(" ", "")
    for part in block.parts():
        assert part.x + part.width <= paper.room[0] + 0.1
        if isinstance(part, Said):
            assert part.words.replace(" ", "") in read_back, part.words
            assert part.size >= (READABLE if part.told else 6)
    boxes = lines_of(document)
    assert all(0 < left < right < width and 0 < bottom < top < height for _, (left, bottom, right, top) in boxes)
    assert [(one, other) for (one, a), (other, b) in combinations(boxes, 2) if _meet(a, b)] == []


def _meet(a: tuple[float, float, float, float], b: tuple[float, float, float, float]) -> bool:
    """Whether two boxes have more than a hair in common."""
    across = min(a[2], b[2]) - max(a[0], b[0])
    up = min(a[3], b[3]) - max(a[1], b[1])
    return across > 1 and up > 1


def test_the_essential_lines_of_each_sheet_are_those_to_be_read_from_afar() -> None:
    """Code, text, number, what no answer means, the other texts and rescue; on the window when to call whom."""
    sign = _told(site_sign.layout(SIGN, Paper.A4, "en"))
    for words in ("LANTERN", "IN LANTERN 50 P2", "+44 7700 900000", "OUT 2", "LATE 20", "SOS", SIGN.rescue_call):
        assert words in sign
    assert "Phone somebody ashore before you go in." in sign
    timed = replace(BLANK, raise_by=CROWD.raise_by, rescue_call="112")
    card = _told(plan_card.layout(timed, Paper.A4, "en"))
    assert "Call rescue." in card
    assert "Tue 1 Jun 11:05" in card
    fridge = _told(fridge_card.layout(FRIDGE, Paper.A4, "en"))
    for words in ("OK 7K", "CALLED 7K", "SAFE 2 7K", SIGN.rescue_call, "Call them, then rescue."):
        assert words in fridge


def _told(block: Block) -> str:
    return " ".join(part.words for part in block.parts() if isinstance(part, Said) and part.told)


PRINTED = [
    (examples.going_in("LANTERN", 50, 2), {"kind": Kind.START, "site": "LANTERN", "minutes": 50, "count": 2}),
    (examples.coming_out(2), {"kind": Kind.FINISH, "count": 2}),
    (examples.more_time(20), {"kind": Kind.LATE, "minutes": 20}),
    (examples.SOS, {"kind": Kind.RAISE_NOW}),
    (examples.OK, {"kind": Kind.OK, "ref": "7K"}),
    (examples.CALLED, {"kind": Kind.CALLED, "ref": "7K"}),
    (examples.safe(2), {"kind": Kind.SAFE, "count": 2, "ref": "7K"}),
]


@pytest.mark.parametrize(("text", "meaning"), PRINTED, ids=[text for text, _ in PRINTED])
def test_each_printed_text_is_read_as_what_the_sheet_says_it_does(text: str, meaning: dict[str, object]) -> None:
    """Paper hangs for years: it must not teach a word that the service does not know."""
    understood = read(text)

    assert {name: getattr(understood, name) for name in meaning} == meaning


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_texts_to_send_are_the_same_in_every_language(language: str) -> None:
    """Commands are not translated, and each stands whole in its line."""
    lines = [part.words for part in site_sign.layout(SIGN, Paper.A4, language).parts() if isinstance(part, Said)]

    assert {"IN LANTERN 50 P2", "OUT 2", "LATE 20", "SOS"} <= set(lines)


@pytest.mark.parametrize("sign", [SIGN, LONG_SIGN, replace(SIGN, code="BAY")], ids=["usual", "long", "short"])
@pytest.mark.parametrize("paper", Paper)
def test_the_square_on_the_printed_page_opens_the_text_of_the_sign(sign: Sign, paper: Paper) -> None:
    """Read back from the pixels of the page by code that knows nothing of how it was drawn."""
    parts = [part for part in site_sign.layout(sign, paper, "en").parts() if isinstance(part, Area)]
    unit = min(part.height for part in parts if part.line is None)
    squares = [part for part in parts if part.line is None and part.height == pytest.approx(unit)]
    left, top = min(part.x for part in squares), min(part.y for part in squares)
    size = round((max(part.x + part.width for part in squares) - left) / unit)
    edge, scale = (paper.size[0] - paper.room[0]) / 2, 6

    with pypdfium2.PdfDocument(site_sign.to_pdf(sign, paper, "en")) as opened:
        image = opened[0].render(scale=scale, grayscale=True).to_pil()

    def is_dark(row: int, column: int) -> bool:
        across, down = edge + left + (column + 0.5) * unit, edge + top + (row + 0.5) * unit
        return bool(image.getpixel((int(across * scale), int(down * scale))) < 128)

    matrix = [[is_dark(row, column) for column in range(size)] for row in range(size)]
    assert read_square(matrix) == sign.address == f"sms:+447700900000?body=IN%20{sign.code}%2050%20P2"


@pytest.mark.parametrize("name", SHEETS)
def test_a_sheet_is_the_same_file_each_time_and_black_on_white(name: str) -> None:
    """Nothing of when it was made is in it, and nothing hangs on a colour: a grey printer prints all of it."""
    module, values = SHEETS[name]
    document = module.to_pdf(values, Paper.A4, "en")
    with pypdfium2.PdfDocument(document) as opened:
        image = opened[0].render(scale=1).to_pil()

    assert module.to_pdf(values, Paper.A4, "en") == document
    assert all(red == green == blue for _, (red, green, blue) in image.getcolors(1 << 24))


def test_the_window_half_of_a_plan_card_names_nobody_and_the_other_half_says_all() -> None:
    """Who passes a parked car learns when to call whom, and not whose car it is or when they went in."""
    dive = overdue_with_everything().dive
    document = plan_card.to_pdf(card_of(dive), Paper.A4, "en")
    fold = next(box[1] for words, box in lines_of(document) if words.startswith("Fold here"))
    upper = " ".join(words for words, box in lines_of(document) if box[1] > fold + 1)
    lower = " ".join(words for words, box in lines_of(document) if box[3] < fold + 1)

    assert fold == pytest.approx(Paper.A4.size[1] / 2, abs=60)
    for words in ("11:05", dive.reference, "Lantern Cove", dive.club_name, "rescue desk"):
        assert words in upper, words
    for words in ("Anna", "Bram", "Cleo", "10:00", "10:50", "900001", "900011"):
        assert words not in upper, words
    for words in ("Anna Holt", "Bram Vik", "Cleo Marsh", "10:00", "10:50"):
        assert words in lower, words
    for code in (dive.start_code, dive.finish_code):
        assert code not in words_of(document)


@pytest.mark.parametrize(
    ("language", "day"), [("en", "Tue 1 Jun"), ("de", "Di. 1. Juni"), ("fr", "mar. 1 juin"), ("es", "mar 1 jun")]
)
def test_every_time_on_a_plan_card_has_its_day(language: str, day: str) -> None:
    """A card that is left behind the window must not send anybody to the phone tomorrow."""
    said = words_of(plan_card.to_pdf(card_of(overdue_with_everything().dive), Paper.A4, language))

    for time in ("10:00", "10:50", "11:05"):
        assert f"{day} {time}" in said


def test_the_card_of_a_drill_begins_with_exercise() -> None:
    """A passer-by must not call rescue for it."""
    document = plan_card.to_pdf(card_of(overdue_with_everything(drill=True).dive), Paper.A4, "en")

    assert words_of(document).startswith("EXERCISE. Divers in the water")


def test_the_card_of_a_plan_without_times_has_room_to_write_them() -> None:
    """Filed from home with no time in: the diver writes them with a pen at the car."""
    card = card_of(replace(overdue_with_everything().dive, started_at=None, due_out_at=None))

    assert (card.raise_by, card.time_in, card.due_out) == (None, None, None)
    assert "11:05" not in words_of(plan_card.to_pdf(card, Paper.LETTER, "en"))


def test_what_does_not_fit_a_page_is_refused_and_not_cut() -> None:
    """A sheet that lacks its last line looks whole."""
    with pytest.raises(ValueError, match="too long for this page"):
        fitted(Paper.A4, lambda width, _: under(said("X", width, 20), space(900)))


def test_letters_that_the_face_lacks_stay_recognisable() -> None:
    """A site may be written in any script."""
    document = site_sign.to_pdf(replace(SIGN, site="Бухта"), Paper.A4, "en")

    assert printable("Бухта") == "Bukhta"
    assert "Bukhta" in words_of(document)
