"""The pack on paper: two A4 pages at most, black on white, the same bytes for the same pack.

The first page answers what a co-ordinator asks and has the script; the second has sketch, exits, drift and timeline.
Where a dive has more words than a page holds, its type gets smaller and then people's own long words are cut, marked
by "..."; who, how many, where, since when and whom to call never are.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from io import BytesIO
from xml.sax.saxutils import escape
from zoneinfo import ZoneInfo

from reportlab.lib.colors import black, white
from reportlab.lib.enums import TA_CENTER
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, PageBreak, Paragraph, SimpleDocTemplate, Spacer, Table
from reportlab.platypus.doctemplate import LayoutError

from service.documents.pdf_fonts import BOLD, REGULAR, SLANTED, load, printable
from service.documents.sketch_pdf import to_drawing
from service.domain.handover import Fact, Pack, Person
from service.domain.handover.exit_words import ExitWords, exit_words
from service.domain.handover.pack import EXERCISE, NO_CALL
from service.domain.handover.script import OWN_WORDS
from service.domain.local_time import say
from service.domain.phone import national_format

MEDIA_TYPE = "application/pdf"
_NAME = 80
"""A place is called by no longer name."""

_MARGIN = 14 * mm
_WIDTH = A4[0] - 2 * _MARGIN
_LABEL_WIDTH = 34 * mm

_ELSEWHERE = frozenset({"what", "where", "how_known", "search"})
"""Facts that stand in the head, or on the second page in full."""

MAY_BE_CUT = frozenset({"last_heard", "kit", "smb", "access", "exits", "vehicle", "water", "medical", "notes"})
"""Facts that repeat somebody's own words, or a whole paragraph of guidance."""


@dataclass(frozen=True, slots=True)
class _Fit:
    """How a pack is made to fit: size of type in points, longest words of a fact, most rows, width of the sketch."""

    size: float
    longest: int
    rows: int
    sketch_mm: float


_FITS = (
    _Fit(9.5, 700, 40, 104),
    _Fit(9, 600, 30, 98),
    _Fit(8.5, 400, 20, 90),
    _Fit(8, 260, 14, 84),
    _Fit(7.5, 160, 10, 76),
    _Fit(7, 100, 8, 66),
    _Fit(7, 60, 8, 66),
    _Fit(6.5, 100, 6, 56),
    _Fit(6, 120, 6, 46),
    _Fit(6, 40, 4, 46),
)


def to_pdf(pack: Pack) -> bytes:
    """The whole document: each of its two pages is made to fit by itself.

    What the smallest fit does not hold goes on to a further page.
    """
    load()
    front, back = _fit_of(pack, _front), _fit_of(pack, _back)
    _, pages = _built(pack, [*_front(pack, front), PageBreak(), *_back(pack, back)], 0)
    return _built(pack, [*_front(pack, front), PageBreak(), *_back(pack, back)], pages)[0]


def _fit_of(pack: Pack, make: Callable[[Pack, _Fit], list[Flowable]]) -> _Fit:
    """The largest with which a page is one page."""
    return next((fit for fit in _FITS[:-1] if _is_one_page(pack, make(pack, fit))), _FITS[-1])


def _is_one_page(pack: Pack, story: list[Flowable]) -> bool:
    try:
        _, pages = _built(pack, story, 0)
    except LayoutError:
        return False  # a part of it is higher than a page
    return pages == 1


def _built(pack: Pack, story: list[Flowable], pages: int) -> tuple[bytes, int]:
    """The document and how many pages it has; `pages` is what its footers say. A story can be built once."""
    buffer = BytesIO()
    document = SimpleDocTemplate(
        buffer,
        pagesize=A4,
        leftMargin=_MARGIN,
        rightMargin=_MARGIN,
        topMargin=10 * mm,
        bottomMargin=14 * mm,
        title=printable(f"{pack.headline}, {pack.where.site}"),
        author=printable(pack.club),
        subject="Handover pack for rescue",
        invariant=1,
        lang="en-GB",
    )
    footer = _footer(pack, pages)
    document.build(story, onFirstPage=footer, onLaterPages=footer)
    return buffer.getvalue(), document.page


def _footer(pack: Pack, pages: int) -> Callable[[Canvas, SimpleDocTemplate], None]:
    mark = f"{EXERCISE}   " if pack.drill else ""
    left = printable(f"{mark}Ref {pack.reference}, {pack.club}. Printed at {made_at(pack)}.")

    def put(canvas: Canvas, document: SimpleDocTemplate) -> None:
        canvas.setFont(REGULAR, 7)
        canvas.drawString(_MARGIN, 8 * mm, left)
        canvas.drawRightString(A4[0] - _MARGIN, 8 * mm, f"Page {document.page} of {pages}")

    return put


def made_at(pack: Pack) -> str:
    """When the pack was made, at the site and in UTC, so that nobody guesses the zone; with UTC's day if another."""
    local, utc = pack.now.astimezone(ZoneInfo(pack.zone)), pack.now.astimezone(ZoneInfo("UTC"))
    day = "" if utc.date() == local.date() else f"{utc:%a} {utc.day} {utc:%b} "
    return f"{local:%a} {local.day} {local:%b %Y %H:%M} {pack.zone} ({day}{utc:%H:%M} UTC)"


def _style(fit: _Fit, name: str, larger: float = 1.0, font: str = REGULAR, **more: object) -> ParagraphStyle:
    size = fit.size * larger
    return ParagraphStyle(name, fontName=font, fontSize=size, leading=size * 1.22, splitLongWords=1, **more)


def _front(pack: Pack, fit: _Fit) -> list[Flowable]:
    """What a co-ordinator asks, and the words to read aloud."""
    facts = [fact for fact in (*pack.first, *pack.more) if fact.key not in _ELSEWHERE]
    return [
        *_head(pack, fit),
        _facts(facts, fit),
        Spacer(0, 4),
        _people(pack, fit),
        *_section("To read aloud over the phone", fit, [_script(pack, fit)]),
    ]


def _back(pack: Pack, fit: _Fit) -> list[Flowable]:
    """Where to look, which ways there are, and what happened."""
    return [
        _picture_and_exits(pack, fit),
        *_timeline(pack, fit),
        Spacer(0, 4),
        Paragraph(_safe(pack.caution), _style(fit, "caution", 0.9, SLANTED)),
    ]


def _head(pack: Pack, fit: _Fit) -> list[Flowable]:
    found: list[Flowable] = []
    if pack.drill:
        band = _style(fit, "exercise", 1.5, BOLD, textColor=white, alignment=TA_CENTER)
        words = f'{EXERCISE} {EXERCISE} {EXERCISE}<br/><font size="{fit.size:g}">{NO_CALL}</font>'
        found.append(_boxed([[Paragraph(words, band)]], [_WIDTH], ("BACKGROUND", (0, 0), (-1, -1), black)))
    small = f"Handover pack for rescue. {pack.club}, reference {pack.reference}. As of {made_at(pack)}."
    found += [
        Paragraph(_safe(small), _style(fit, "small", 0.85)),
        Paragraph(_safe(pack.headline), _style(fit, "headline", 1.9, BOLD, spaceBefore=2, spaceAfter=4)),
        _position(pack, fit),
        Spacer(0, 4),
    ]
    return found


def _position(pack: Pack, fit: _Fit) -> Table:
    """The position in each form, large: it is copied by hand and read over a phone."""
    label, large = _style(fit, "form", 0.8), _style(fit, "position", 1.35, BOLD)
    site = Paragraph(_safe(f"Where: {pack.where.site}"), _style(fit, "site", 1.15, BOLD))
    how = Paragraph(_safe(f"{pack.where.how[0].upper()}{pack.where.how[1:]}."), _style(fit, "how"))
    cells = [[Paragraph(_safe(form.name), label), Paragraph(_safe(form.words), large)] for form in pack.where.forms]
    rows = [[site, ""], *([cells[:2], cells[2:]] if cells else []), [how, ""]]
    return _boxed(rows, [_WIDTH / 2, _WIDTH / 2], ("SPAN", (0, 0), (1, 0)), ("SPAN", (0, -1), (1, -1)))


def _boxed(rows: Sequence[Sequence[object]], widths: Sequence[float], *more: tuple[object, ...]) -> Table:
    style = [
        ("BOX", (0, 0), (-1, -1), 1.6, black),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("TOPPADDING", (0, 0), (-1, -1), 2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 3),
    ]
    return Table(rows, colWidths=widths, style=[*style, *more])


def _ruled(rows: Sequence[Sequence[object]], widths: Sequence[float]) -> Table:
    style = [
        ("LINEBELOW", (0, 0), (-1, -1), 0.4, black),
        ("LINEABOVE", (0, 0), (-1, 0), 0.4, black),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 2),
        ("RIGHTPADDING", (0, 0), (-1, -1), 4),
        ("TOPPADDING", (0, 0), (-1, -1), 1.5),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2.5),
    ]
    return Table(rows, colWidths=widths, style=style)


def _facts(facts: Sequence[Fact], fit: _Fit) -> Table:
    label, words = _style(fit, "label", 1, BOLD), _style(fit, "words")
    rows = [[Paragraph(_safe(fact.label), label), Paragraph(_fact(fact, fit), words)] for fact in facts]
    return _ruled(rows, [_LABEL_WIDTH, _WIDTH - _LABEL_WIDTH])


def _fact(fact: Fact, fit: _Fit) -> str:
    words = _cut(fact.words, fit.longest) if fact.key in MAY_BE_CUT else fact.words
    caution = f' <font name="{SLANTED}" size="{fit.size * 0.85}">{_safe(fact.caution)}</font>' if fact.caution else ""
    return _safe(words) + caution


def _people(pack: Pack, fit: _Fit) -> Table:
    """The party and the contacts beside each other."""
    half = _WIDTH / 2
    heading = _style(fit, "people", 1, BOLD)
    words = _style(fit, "person")
    sides = (("Party", pack.party), ("Shore contacts", pack.contacts))
    cells = [
        [Paragraph(name, heading), *(Paragraph(_person(person), words) for person in people)] for name, people in sides
    ]
    return _ruled([cells], [half, half])


def _person(person: Person) -> str:
    phone = f" <b>{_safe(national_format(person.phone))}</b>" if person.phone else ""
    said = f", {_safe(person.words)}" if person.words else ""
    return f"{_safe(person.name)}{phone}{said}"


def _picture_and_exits(pack: Pack, fit: _Fit) -> Table:
    """The sketch, and beside it the exits and the search area."""
    sketch_width = fit.sketch_mm * mm if pack.sketch is not None else 0.0
    column = _WIDTH - sketch_width
    beside: list[Flowable] = [*_exits(pack, fit), *_search(pack, fit)]
    if pack.sketch is None:
        return Table([[beside]], colWidths=[column], style=_TIGHT)
    return Table([[to_drawing(pack.sketch, sketch_width), beside]], colWidths=[sketch_width, column], style=_TIGHT)


_TIGHT = [
    ("VALIGN", (0, 0), (-1, -1), "TOP"),
    ("LEFTPADDING", (0, 0), (0, 0), 0),
    ("RIGHTPADDING", (0, 0), (-1, -1), 0),
    ("TOPPADDING", (0, 0), (-1, -1), 0),
]


def _exits(pack: Pack, fit: _Fit) -> list[Flowable]:
    words, heading = _style(fit, "exit", 0.95), _style(fit, "exits", 1.05, BOLD)
    rows = exit_words(pack)
    if not rows:
        return [Paragraph("No exits are in the notes of this site.", words)]
    shown = [Paragraph(_exit(row, fit), words) for row in rows[: fit.rows]]
    left_out = len(rows) - len(shown)
    more = [Paragraph(f"... and {left_out} more.", words)] if left_out else []
    return [Paragraph("Exits and vehicle access", heading), *shown, *more]


def _exit(row: ExitWords, fit: _Fit) -> str:
    return f"<b>{_safe(_cut(row.name, max(fit.longest, _NAME)))}</b>: {_safe(_cut(row.words, fit.longest))}"


def _search(pack: Pack, fit: _Fit) -> list[Flowable]:
    if not pack.pictures:
        return []
    words, heading = _style(fit, "picture", 0.95), _style(fit, "search", 1.05, BOLD, spaceBefore=4)
    rows = [
        Paragraph(f"<b>{_safe(say(picture.at, pack.zone, pack.now))}</b>: {_safe(picture.words)}", words)
        for picture in pack.pictures
    ]
    notes = Paragraph(_safe(_cut(" ".join(pack.search_notes), fit.longest)), _style(fit, "notes", 0.85, SLANTED))
    return [Paragraph("Where to begin to look", heading), *rows, notes]


def _section(title: str, fit: _Fit, body: Sequence[Flowable]) -> list[Flowable]:
    return [Paragraph(title, _style(fit, "section", 1.05, BOLD, spaceBefore=5, spaceAfter=2)), *body]


def _script(pack: Pack, fit: _Fit) -> Paragraph:
    """Sentence by sentence; those that repeat somebody's own words may be cut like them."""
    said = (_cut(words, fit.longest) if words.startswith(OWN_WORDS) else words for words in pack.script)
    return Paragraph(_safe(" ".join(said)), _style(fit, "script"))


def _timeline(pack: Pack, fit: _Fit) -> list[Flowable]:
    """The latest entries; how many came before is said."""
    if not pack.timeline:
        return []
    shown = pack.timeline[-fit.rows :]
    before = len(pack.timeline) - len(shown)
    style = _style(fit, "moment", 0.9, leftIndent=fit.size * 3.2, firstLineIndent=-fit.size * 3.2)
    lines = [f"... {before} earlier"] if before else []
    lines += [
        f"<b>{_safe(say(moment.at, pack.zone, pack.now))}</b> {_safe(_cut(moment.words, fit.longest))}"
        for moment in shown
    ]
    return _section("What happened", fit, [Paragraph(line, style) for line in lines])


def _safe(words: str) -> str:
    """In the letters of the face, with nothing that the library would take for markup."""
    return escape(printable(words))


def _cut(words: str, most: int) -> str:
    """At most so many characters, cut between words where there are any, so that no number is halved."""
    if len(words) <= most:
        return words
    kept = words[: most - 3]
    return f"{kept.rpartition(' ')[0] or kept}..."
