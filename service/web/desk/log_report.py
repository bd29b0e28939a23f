"""The report of one dive, put together for paper: what is printed of it, in words."""

from __future__ import annotations

from collections.abc import Iterator

from service.documents import dive_log_pdf as pdf
from service.domain.dive import Dive
from service.domain.local_time import say
from service.domain.people import Recipient
from service.operations.checkpointing import checkpoints_of
from service.operations.dive_log import DiveLog, beliefs
from service.operations.message_life import stands_since
from service.operations.service import Service
from service.operations.signing_in import SignedIn
from service.store.outbox import Message
from service.web.dive_words import standing
from service.web.message_words import CHANNEL_WORDS
from service.web.speaking import decimal_position, visible, without_token


def report_of(service: Service, admin: SignedIn, found: DiveLog) -> pdf.Report:
    """All that the log has of a dive."""
    dive = found.dive
    last = checkpoints_of(service, admin.club_id).latest
    zone = admin.zone if dive is None else dive.plan.site.zone
    return pdf.Report(
        club=admin.club_name,
        reference=found.standing.reference,
        dive_id=found.dive_id,
        site=found.standing.site_name,
        zone=zone,
        drill=dive is not None and dive.drill,
        made_at=service.clock.now(),
        made_by=admin.name,
        facts=tuple(_facts(found, dive, zone)),
        lines=tuple(
            pdf.Line(line.entry.seq, line.entry.at, visible(line.who), visible(line.words, 1000), line.entry.hash)
            for line in found.lines
        ),
        beliefs=tuple(_beliefs(found)),
        messages=tuple(_told(message, zone) for message in found.messages),
        head=found.head.hash,
        checkpoint=(
            f"The last checkpoint over all chains was number {last[0].number}, with the hash {last[0].hash}."
            if last
            else "There was no checkpoint yet."
        ),
        remark=""
        if found.erased_at is None
        else f"Its personal detail was erased on {pdf.both(found.erased_at, zone)}.",
    )


def _facts(found: DiveLog, dive: Dive | None, zone: str) -> Iterator[tuple[str, str]]:
    yield "Filed", pdf.both(found.standing.filed_at, zone)
    if dive is None:
        yield "State", "It cannot be read; the entries below are what there is."
        return
    yield "Party", ", ".join(_person(one) for one in dive.divers)
    yield "Shore contacts", ", ".join(_person(one) for one in dive.contacts)
    for label, at in (
        ("In", dive.started_at),
        ("Due out", dive.due_out_at),
        ("Raise-by time", dive.raise_by_at),
        ("Alarm", dive.alarm_at),
        ("Rescue called", dive.called_at),
        ("Rescue not called after all", dive.taken_back[-1].at if dive.not_called_after_all else None),
        ("Closed", dive.closed_at),
    ):
        if at is not None:
            yield label, pdf.both(at, zone)
    yield "How it stands", standing(dive).title
    if dive.closed_by is not None:
        count = "" if dive.closed_count is None else f", {dive.closed_count} out"
        yield "Closed by", f"{visible(dive.closed_by.name)}{count}"
    if dive.last_position is not None:
        yield "Last position", decimal_position(dive.last_position.position)
    for label, words in (("Vehicle", dive.plan.vehicle), ("Notes", dive.plan.notes)):
        if words:
            yield label, visible(words)
    if found.standing.kept_at is not None:
        yield "Kept whole", f"by {found.standing.kept_by}: {visible(found.standing.kept_reason or '')}"


def _person(person: Recipient) -> str:
    return f"{visible(person.name)} {person.phone}" if person.phone else visible(person.name)


def _beliefs(found: DiveLog) -> Iterator[pdf.Belief]:
    """After each entry that changed how the dive stood."""
    before = ""
    entries = [line.entry for line in found.lines]
    for entry, belief in zip(entries, beliefs(entries), strict=True):
        if belief.dive is None:
            continue
        now = _believed(belief.dive)
        if now != before:
            yield pdf.Belief(entry.seq, entry.at, now)
        before = now


def _believed(dive: Dive) -> str:
    zone = dive.plan.site.zone
    parts = [standing(dive).title, f"{dive.head_count} in the party"]
    if dive.due_out_at is not None and dive.raise_by_at is not None:
        parts.append(f"due out {say(dive.due_out_at, zone, dive.filed_at)}")
        parts.append(f"raise-by time {say(dive.raise_by_at, zone, dive.filed_at)}")
    for label, told in (("alerted", dive.alerted), ("have answered", dive.acknowledged)):
        names = [person.name for one in told if (person := dive.person(one.key)) is not None]
        if names:
            parts.append(f"{label}: {', '.join(dict.fromkeys(names))}")
    if dive.partly_out is not None:
        parts.append(f"{dive.partly_out} said to be out")
    return visible("; ".join(parts) + ".", 1000)


def _told(message: Message, zone: str) -> pdf.Told:
    to = f"{visible(message.name or message.person_key)}, by {CHANNEL_WORDS[message.channel]}"
    fate = f"{message.state}, {pdf.both(stands_since(message), zone)}"
    why = f" ({visible(message.failed_reason)})" if message.failed_reason else ""
    return pdf.Told(message.queued_at, to, visible(without_token(message.body), 1000), f"{fate}{why}")
