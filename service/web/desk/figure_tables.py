"""The figures of a period as tables, for the page and as CSV, and the charts above them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

from babel.dates import format_date
from markupsafe import Markup

from service.documents import charts_svg
from service.documents.charts_svg import Bar, Column, Fill, Range
from service.documents.tables_csv import Cell
from service.operations.alarm_endings import Ending
from service.operations.figures import Delivery, Figures, Spread

OUTCOME_WORDS: Final = {
    "surfaced": "Closed by the party: all out",
    "stood_down": "Closed by somebody ashore: all safe",
    "called_off": "Called off",
    "lapsed": "Lapsed, never started",
}
ENDING_WORDS: Final = {
    Ending.RESCUE_CALLED: "Rescue was called",
    Ending.OPEN: "Still open",
    Ending.PARTY_OUT: "The party said OUT after the alert",
    Ending.CONTACT_SAFE: "A contact said that all are safe",
    Ending.ADMIN_SAFE: "An admin said that all are safe",
    Ending.ASHORE_SAFE: "Somebody ashore said that all are safe (who is erased)",
    Ending.NOT_DIVING: "Nobody had gone in",
}
WAY_WORDS: Final = {"text": "Texts", "call": "Voice calls", "email": "E-mails"}
DELIVERY_FILLS: Final = (
    (Fill.FULL, "reached the phone"),
    (Fill.HATCHED, "taken, not confirmed"),
    (Fill.DOTTED, "failed"),
    (Fill.EMPTY, "not sent, or not yet"),
)
_SPREAD_HEAD: Final = ("Count", "Median, s", "90th percentile, s", "Longest, s")


@dataclass(frozen=True, slots=True)
class Table:
    """One table. `seconds` are the places of the columns that hold lengths; `note` says what a reader must know."""

    key: str
    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    seconds: frozenset[int] = frozenset()
    chart: Markup | None = None
    keys: tuple[tuple[Markup, str], ...] = ()
    note: str = ""

    def shown(self) -> tuple[tuple[str, ...], list[list[str]]]:
        """Head and cells for people: lengths in minutes and seconds."""
        head = tuple(words.removesuffix(", s") for words in self.head)
        rows = [
            [length(cell) if place in self.seconds else _words(cell) for place, cell in enumerate(row)]
            for row in self.rows
        ]
        return head, rows


def tables_of(found: Figures) -> tuple[Table, ...]:
    """All tables, in the order of the page."""
    return (
        _dives(found),
        _over_time(found),
        _endings(found),
        _lengths(
            "times",
            "How long it took",
            found.times,
            "Alarms of these dives. An alarm that somebody raised"
            " before it was due is not in the first line; the first answer is OK, CALLED or SAFE.",
        ),
        _lengths("lateness", "From due to taken by a gateway", found.lateness, "Messages that a gateway took."),
        _delivery("gateways", "Messages by gateway", "Gateway", found.gateways, tries=True),
        _delivery("ways", "Messages by way", "Way", [_named(one) for one in found.ways], tries=False),
    )


def length(seconds: Cell) -> str:
    """A length in words: "4 min 30 s", "1 h 5 min"; a dash for none."""
    if seconds is None or isinstance(seconds, str):
        return "\N{EN DASH}"
    whole = round(seconds)
    hours, minutes = divmod(whole // 60, 60)
    if hours:
        return f"{hours} h {minutes} min"
    return f"{minutes} min {whole % 60} s" if minutes else f"{whole} s"


def _words(cell: Cell) -> str:
    return "\N{EN DASH}" if cell is None else str(cell)


def _dives(found: Figures) -> Table:
    dives = found.dives
    rows: list[tuple[Cell, ...]] = [
        ("Filed", dives.filed),
        ("Started", dives.started),
        ("Still open", dives.open),
        *((words, dives.closed.get(outcome, 0)) for outcome, words in OUTCOME_WORDS.items()),
        ("Past due out before they were out", dives.overdue),
        ("Alarms", found.alarms),
        ("of them raised by somebody before they were due", found.by_person),
        ("of them come to distress", found.distress),
        ("of them handed up to the club's admins", found.hand_ups),
        ("of them false alarms", found.false_alarms),
    ]
    return Table("dives", "Dives", ("What", "Count"), tuple(rows))


def _over_time(found: Figures) -> Table:
    first = {"day": "Day", "week": "Week from", "month": "Month from"}[found.bucket_name]
    rows = [(one.first.isoformat(), one.filed, one.overdue, one.alarms) for one in found.buckets]
    drawn = [Column(_day(one.first, found.bucket_name), one.filed, one.overdue, one.alarms) for one in found.buckets]
    chart = charts_svg.columns(
        drawn,
        title=f"Dives by {found.bucket_name}",
        description=f"{found.dives.filed} filed, {found.dives.overdue} overdue, {found.alarms} alarms."
        " The table below has each.",
    )
    keys = ((Fill.EMPTY, "filed"), (Fill.FULL, "of them overdue"))
    return Table(
        "periods",
        f"Dives by {found.bucket_name}",
        (first, "Filed", "Overdue", "Alarms"),
        tuple(rows),
        chart=_safe(chart),
        keys=tuple((_safe(charts_svg.key(fill, "columns")), words) for fill, words in keys),
        note="A triangle above a column is an alarm, with their number where there are several."
        " A dive counts on the day it was filed.",
    )


def _day(first: date, bucket: str) -> str:
    return format_date(first, "MMM yy" if bucket == "month" else "d MMM", locale="en")


def _endings(found: Figures) -> Table:
    rows = [(words, found.endings.get(ending, 0)) for ending, words in ENDING_WORDS.items()]
    shown = [Bar(words, ((Fill.FULL, count),)) for words, count in rows if count]
    chart = charts_svg.bars(
        shown,
        "endings",
        title="What became of alarms",
        description="; ".join(f"{words}: {count}" for words, count in rows if count) or "No alarm.",
    )
    note = "A false alarm is one that ended with all safe and without rescue being called."
    if found.assumed:
        note += f" In {found.assumed} of them nobody had said that they went in, so the start was assumed."
    return Table(
        "alarms",
        "What became of alarms",
        ("Ending", "Count"),
        tuple(rows),
        chart=_safe(chart) if shown else None,
        note=note,
    )


def _lengths(key: str, title: str, found: Sequence[tuple[str, Spread]], note: str) -> Table:
    rows = [(name, one.count, one.median, one.ninetieth, one.longest) for name, one in found]
    drawn = [
        Range(name, one.median, one.ninetieth, one.longest, f"half within {length(one.median)}")
        for name, one in found
        if one.median is not None and one.ninetieth is not None and one.longest is not None
    ]
    chart = charts_svg.ranges(
        drawn, title=title, description="; ".join(f"{one.name}: {one.words}" for one in drawn) or "Nothing yet."
    )
    return Table(
        key,
        title,
        ("What", *_SPREAD_HEAD),
        tuple(rows),
        frozenset({2, 3, 4}),
        chart=_safe(chart) if drawn else None,
        note=f"{note} The circle is the median, the thick line holds nine in ten, the thin one goes to the longest.",
    )


def _delivery(key: str, title: str, name: str, found: Sequence[Delivery], *, tries: bool) -> Table:
    head = [name, "Reached the phone", "Taken, not confirmed", "Failed", "Not sent, or not yet"]
    head += ["Tries refused", "Tries of unknown outcome"] if tries else []
    seconds = frozenset(range(len(head) + 1, len(head) + 4))
    rows = tuple(
        (
            *(one.name, one.delivered, one.unconfirmed, one.failed, one.unsent),
            *((one.refused, one.unknown) if tries else ()),
            *(one.receipt.count, one.receipt.median, one.receipt.ninetieth, one.receipt.longest),
        )
        for one in found
    )
    drawn = [Bar(one.name, tuple(zip([fill for fill, _ in DELIVERY_FILLS], _parts(one), strict=True))) for one in found]
    chart = charts_svg.bars(
        drawn,
        key,
        title=title,
        description="; ".join(f"{one.name}: {one.delivered} reached the phone" for one in found) or "Nothing yet.",
    )
    spread = ("Receipts", *(f"Receipt {words[0].lower()}{words[1:]}" for words in _SPREAD_HEAD[1:]))
    return Table(
        key,
        title,
        (*head, *spread),
        rows,
        seconds,
        chart=_safe(chart) if drawn else None,
        keys=tuple((_safe(charts_svg.key(fill, key)), words) for fill, words in DELIVERY_FILLS),
        note="Reached the phone: a receipt says so, or a key was pressed in a call. A mail server sends no receipt.",
    )


def _parts(one: Delivery) -> tuple[int, int, int, int]:
    return one.delivered, one.unconfirmed, one.failed, one.unsent


def _named(one: Delivery) -> Delivery:
    return Delivery(
        WAY_WORDS.get(one.name, one.name),
        *(one.delivered, one.unconfirmed, one.failed, one.unsent, one.refused, one.unknown),
        one.receipt,
    )


def _safe(drawn: str) -> Markup:
    """What our own drawing made, which escapes every word that it is given."""
    return Markup(drawn)  # noqa: S704 - escaped where it is made
