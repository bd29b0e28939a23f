"""What the log has of one dive, on A4: facts, timeline, what was believed when, messages, and every hash.

It is for reading, and for holding against the log: how to compare is printed at its end. The same bytes for the same
report.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from io import BytesIO
from typing import Final
from xml.sax.saxutils import escape
from zoneinfo import ZoneInfo

from reportlab.lib.colors import black, white
from reportlab.lib.enums import TA_CENTER
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, LongTable, Paragraph, SimpleDocTemplate, Spacer

from service.documents.pdf_fonts import BOLD, REGULAR, load, printable
from service.domain.handover.pack import EXERCISE

MEDIA_TYPE: Final = "application/pdf"
LINES_MAX: Final = 1_500
"""Entries of a report: more are no longer read on paper, and setting them takes seconds."""

_MARGIN = 14 * mm
_WIDTH = A4[0] - 2 * _MARGIN
_WORDS_MAX = 600
_SIZE = 8.5


_COVERS: Final = (
    "Each entry's hash covers its number, instant, kind, who and what, and the hash of the entry before it. Whoever"
    " changes, removes or inserts one has to change every hash after it, and those printed here no longer fit."
)
_RECKON: Final = (
    "Ask the club for the log of this dive as JSON lines. Of each line, in the order of its numbers, reckon SHA-256"
    " over a zero byte, the 32 bytes of the hash before it (64 zeros in hexadecimal before the first), and the"
    " canonical JSON of [chain, seq, at, kind, actor_hash, detail_hash]; it must be the line's hash, the one printed"
    " here. The actor's and the detail's own hashes are SHA-256 over the 16 bytes of the salt and their canonical JSON."
    " Canonical: keys sorted, no blanks, letters as themselves, UTF-8. The manual's page on the log has a program that"
    " does it."
)
_COMPARE: Final = (
    "Where an e-mail with a checkpoint lies in somebody's mailbox, or another copy of this report, they must agree with"
    " the log as it is now."
)


@dataclass(frozen=True, slots=True)
class Line:
    """One entry of the chain. `at` is its instant."""

    seq: int
    at: datetime
    who: str
    words: str
    hash: str


@dataclass(frozen=True, slots=True)
class Belief:
    """What the service believed of the dive after an entry that changed its phase."""

    seq: int
    at: datetime
    words: str


@dataclass(frozen=True, slots=True)
class Told:
    """One message: when it was queued, to whom and how, its words, and what became of it."""

    at: datetime
    to: str
    words: str
    fate: str


@dataclass(frozen=True, slots=True)
class Report:
    """All that is printed. `zone` is the site's; `head` the hash of the last entry.

    `checkpoint` says in words which checkpoint was the last when this was made, with its hash.
    """

    club: str
    reference: str
    dive_id: str
    site: str
    zone: str
    drill: bool
    made_at: datetime
    made_by: str
    facts: tuple[tuple[str, str], ...]
    lines: tuple[Line, ...]
    beliefs: tuple[Belief, ...]
    messages: tuple[Told, ...]
    head: str
    checkpoint: str
    remark: str = ""


def both(at: datetime, zone: str) -> str:
    """The date and time at the site and in UTC, to the second; the date in UTC only where it is another."""
    local, utc = at.astimezone(ZoneInfo(zone)), at.astimezone(UTC)
    day = "" if utc.date() == local.date() else f"{utc:%Y-%m-%d} "
    return f"{local:%Y-%m-%d %H:%M:%S} ({day}{utc:%H:%M:%S} UTC)"


def to_pdf(report: Report) -> bytes:
    """The whole document, with the number of its pages on each."""
    load()
    _, pages = _built(report, 0)
    return _built(report, pages)[0]


def _built(report: Report, pages: int) -> tuple[bytes, int]:
    buffer = BytesIO()
    document = SimpleDocTemplate(
        buffer,
        pagesize=A4,
        leftMargin=_MARGIN,
        rightMargin=_MARGIN,
        topMargin=12 * mm,
        bottomMargin=16 * mm,
        title=printable(f"Log of dive {report.reference}, {report.site}"),
        author=printable(report.club),
        subject="What the log has of one dive",
        invariant=1,
        lang="en-GB",
    )
    footer = _footer(report, pages)
    document.build(_story(report), onFirstPage=footer, onLaterPages=footer)
    return buffer.getvalue(), document.page


def _footer(report: Report, pages: int) -> Callable[[Canvas, SimpleDocTemplate], None]:
    mark = f"{EXERCISE}   " if report.drill else ""
    left = printable(f"{mark}Dive {report.reference}, {report.club}. Head {report.head}")

    def put(canvas: Canvas, document: SimpleDocTemplate) -> None:
        canvas.setFont(REGULAR, 6.5)
        canvas.drawString(_MARGIN, 9 * mm, left)
        canvas.drawRightString(A4[0] - _MARGIN, 9 * mm, f"Page {document.page} of {pages}")

    return put


def _story(report: Report) -> list[Flowable]:
    return [
        *_head(report),
        _table([[_bold(label), _plain(words)] for label, words in report.facts], (38 * mm, _WIDTH - 38 * mm), 0),
        *_section("What was believed, whenever that changed", _beliefs(report)),
        *_section("Timeline", _timeline(report)),
        *_section("Messages", _messages(report)),
        *_section("Hashes", _hashes(report)),
        *_section("How to check this by yourself", _how(report)),
    ]


def _head(report: Report) -> list[Flowable]:
    found: list[Flowable] = []
    if report.drill:
        band = _style("exercise", 14, BOLD, textColor=white, alignment=TA_CENTER, backColor=black, borderPadding=4)
        found += [Paragraph(f"{EXERCISE} {EXERCISE} {EXERCISE}", band), Spacer(0, 8)]
    made = f"{report.club}. Made {both(report.made_at, report.zone)} by {report.made_by}."
    return [
        *found,
        Paragraph(_safe(f"Log of dive {report.reference}, {report.site}"), _style("title", 15, BOLD, spaceAfter=3)),
        _plain(made),
        *([_plain(report.remark)] if report.remark else []),
        Spacer(0, 6),
    ]


def _beliefs(report: Report) -> list[Flowable]:
    if not report.beliefs:
        return [_plain("This cannot be worked out any more: the events were erased.")]
    rows = [[_plain(str(one.seq)), _plain(both(one.at, report.zone)), _plain(one.words)] for one in report.beliefs]
    return [_table([[_bold("Entry"), _bold("Since"), _bold("Believed")], *rows], (13 * mm, 44 * mm, _WIDTH - 57 * mm))]


def _timeline(report: Report) -> list[Flowable]:
    rows = [
        [
            _plain(str(line.seq)),
            _plain(both(line.at, report.zone)),
            _plain(f"{line.who}: {line.words}" if line.who else line.words),
        ]
        for line in report.lines
    ]
    first = [_bold("Entry"), _bold("When"), _bold("What")]
    return [_table([first, *rows], (13 * mm, 44 * mm, _WIDTH - 57 * mm))]


def _messages(report: Report) -> list[Flowable]:
    if not report.messages:
        return [_plain("None.")]
    rows = [
        [_plain(both(one.at, report.zone)), _plain(one.to), _plain(one.words), _plain(one.fate)]
        for one in report.messages
    ]
    first = [_bold("Queued"), _bold("To"), _bold("Words"), _bold("What became of it")]
    return [_table([first, *rows], (34 * mm, 34 * mm, _WIDTH - 106 * mm, 38 * mm))]


def _hashes(report: Report) -> list[Flowable]:
    style = _style("hash", 7, REGULAR)
    rows = [[_plain(str(line.seq)), Paragraph(line.hash, style)] for line in report.lines]
    return [_table([[_bold("Entry"), _bold("SHA-256")], *rows], (13 * mm, _WIDTH - 13 * mm))]


def _how(report: Report) -> list[Flowable]:
    chain = (
        f"The chain is dive:{report.dive_id}. It has {len(report.lines)} entries, and its head, the hash of the last,"
        f" is {report.head}. {report.checkpoint}"
    )
    return [Paragraph(_safe(words), _style("how", spaceAfter=3)) for words in (chain, _COVERS, _RECKON, _COMPARE)]


def _section(title: str, body: Sequence[Flowable]) -> list[Flowable]:
    return [Paragraph(title, _style("section", 11, BOLD, spaceBefore=9, spaceAfter=3)), *body]


def _table(rows: Sequence[Sequence[Flowable]], widths: Sequence[float], headings: int = 1) -> LongTable:
    style = [
        ("LINEBELOW", (0, 0), (-1, -1), 0.3, black),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 2),
        ("RIGHTPADDING", (0, 0), (-1, -1), 4),
        ("TOPPADDING", (0, 0), (-1, -1), 1.5),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
    ]
    return LongTable(rows, colWidths=widths, style=style, repeatRows=headings, splitInRow=1)


def _style(name: str, size: float = _SIZE, font: str = REGULAR, **more: object) -> ParagraphStyle:
    return ParagraphStyle(name, fontName=font, fontSize=size, leading=size * 1.25, splitLongWords=1, **more)


def _plain(words: str) -> Paragraph:
    return Paragraph(_safe(_cut(words)), _style("plain"))


def _bold(words: str) -> Paragraph:
    return Paragraph(_safe(words), _style("bold", font=BOLD))


def _safe(words: str) -> str:
    """In the letters of the face, with nothing that the library would take for markup."""
    return escape(printable(words))


def _cut(words: str) -> str:
    return words if len(words) <= _WORDS_MAX else f"{words[:_WORDS_MAX]} ... (cut here; the export has it whole)"
