"""What must always hold, asked of the tables and of what the gateways took.

It shares nothing with the service but the tables: it folds nothing, decides nothing, and words nothing. The numbers
are those of the list "What must always hold" in docs/design.md. The twelfth, that twice is as good as once, is not a
state of the tables: tests run things twice and ask the rest again.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property
from typing import Any, Protocol
from zoneinfo import ZoneInfo

from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.store.log_check import verify_all
from service.store.tables import (
    AdminRow,
    AttemptRow,
    DiveCodeRow,
    DivePhoneRow,
    DiveRow,
    GatewayCanaryRow,
    InboundPartRow,
    InboundTextRow,
    LogEntryRow,
    MessageRow,
)

DELAY = timedelta(seconds=60)  # from raise-by time to an alert at a gateway, under any single fault
LIVE = ("in_water", "uncertainty", "alert", "distress")
ALARMS = ("distress", "alert")
OPEN = ("queued", "leased")
NEVER_AFTER_CLOSE = ("distress", "alert", "reminder", "start_notice", "other")
LADDER = ("alert", "next_contact", "distress", "distress_again")
ANSWER_WITHIN = timedelta(seconds=60)
LEASE = timedelta(seconds=30)


class TakenText(Protocol):
    """What a gateway's journal says of one text that it took."""

    number: int
    at: datetime
    gateway: str
    to: str
    body: str
    reference: str


@dataclass(frozen=True)
class Entry:
    """One entry of the log."""

    chain: str
    seq: int
    at: datetime
    kind: str
    actor: dict[str, Any]
    detail: dict[str, Any]


def violations(engine: Engine, journal: Sequence[TakenText], now: datetime, *, promises: bool = True) -> list[str]:
    """All that does not hold, a line each; empty when all is well.

    Without `promises` it is asked only what may never happen, not what must have happened within some time.
    """
    with Session(engine) as session:
        checker = Checker(session, journal, now)
        return [*checker.never(), *(checker.promised() if promises else ())]


class Checker:
    """Everything there is, and the questions."""

    def __init__(self, session: Session, journal: Sequence[TakenText], now: datetime) -> None:
        self.session, self.journal, self.now = session, journal, now
        self.dives = session.execute(select(DiveRow)).scalars().all()
        self.phones = session.execute(select(DivePhoneRow)).scalars().all()
        self.codes = session.execute(select(DiveCodeRow)).scalars().all()
        self.messages = {row.id: row for row in session.execute(select(MessageRow)).scalars()}
        self.attempts = session.execute(select(AttemptRow).order_by(AttemptRow.id)).scalars().all()
        canaries = session.execute(select(GatewayCanaryRow)).scalars()
        self.canaries = {f"canary-{row.id}": row.gateway for row in canaries}
        self.inbound = session.execute(select(InboundTextRow)).scalars().all()
        self.parts = session.execute(select(InboundPartRow)).scalars().all()
        rows = session.execute(select(LogEntryRow).order_by(LogEntryRow.id)).scalars()
        self.entries = [
            Entry(row.chain, row.seq, row.at, row.kind, json.loads(row.actor or "{}"), json.loads(row.detail or "{}"))
            for row in rows
        ]

    def promised(self) -> Iterator[str]:
        """What must have come about."""
        yield from self.everything_overdue_is_alerted()
        yield from self.whoever_was_alarmed_was_stood_down()
        yield from self.every_text_is_dealt_with()

    def never(self) -> Iterator[str]:
        """What may never be."""
        yield from self.every_close_names_who()
        yield from self.nothing_of_a_step_follows_the_close()
        yield from self.every_holder_of_a_raise_by_time_was_told_of_changes()
        yield from self.the_log_proves_the_rows()
        yield from self.no_text_is_missing_from_the_log()
        yield from self.no_part_is_missing_from_the_log()
        yield from self.no_stranger_gets_a_message()
        yield from self.nothing_was_sent_without_an_attempt()
        yield from self.no_alert_was_behind_a_reminder()
        yield from self.phases_only_rise()
        yield from self.alarms_say_what_is_so()

    # What the questions need

    def events(self, dive: DiveRow) -> list[Entry]:
        """The events of a dive in their order."""
        return [one for one in self.of_dive(dive) if one.kind.startswith("event:")]

    def of_dive(self, dive: DiveRow) -> list[Entry]:
        """All entries of a dive."""
        return self.by_chain.get(f"dive:{dive.id}", [])

    @cached_property
    def by_chain(self) -> dict[str, list[Entry]]:
        """The entries of each chain."""
        chains: dict[str, list[Entry]] = {}
        for entry in self.entries:
            chains.setdefault(entry.chain, []).append(entry)
        return chains

    def messages_of(self, dive: DiveRow) -> list[MessageRow]:
        """The messages of a dive."""
        return [message for message in self.messages.values() if message.dive_id == dive.id]

    @cached_property
    def took(self) -> dict[str, list[TakenText]]:
        """What was taken, by message."""
        found: dict[str, list[TakenText]] = {}
        for taken in self.journal:
            found.setdefault(taken.reference, []).append(taken)
        return found

    def attempts_at(self, message: MessageRow) -> list[AttemptRow]:
        """The attempts at a message, first to last."""
        return self.by_message.get(message.id, [])

    @cached_property
    def by_message(self) -> dict[str, list[AttemptRow]]:
        """The attempts of each message."""
        found: dict[str, list[AttemptRow]] = {}
        for attempt in self.attempts:
            found.setdefault(attempt.message_id, []).append(attempt)
        return found

    def withheld(self, dive: DiveRow, key: str) -> bool:
        """Whether the log says that nothing may go to this person."""
        return any(key in entry.detail.get("opted_out", ()) for entry in self.of_dive(dive))

    def declined(self, dive: DiveRow, key: str) -> bool:
        """Whether the log says that this person declined to be a contact."""
        lost = [entry for entry in self.events(dive) if entry.kind == "event:person_unreachable"]
        return any((entry.detail["person"], entry.detail["reason"]) == (key, "declined") for entry in lost)

    # 1

    def everything_overdue_is_alerted(self) -> Iterator[str]:
        """A live dive past its raise-by time has an alert at a gateway, on its way, or an entry why not."""
        for dive in self.dives:
            if dive.phase not in LIVE or dive.raise_by_at is None or dive.raise_by_at + DELAY >= self.now:
                continue
            if not any(self.is_under_way(one) for one in self.messages_of(dive) if one.kind in ALARMS):
                told = [one for one in self.events(dive) if one.kind in ("event:alarm_raised", "event:rescue_called")]
                deaf = any(entry.detail.get("opted_out") for entry in self.of_dive(dive))
                if not told and not deaf:
                    yield f"1: dive {dive.id} is past its raise-by time {dive.raise_by_at}, and nobody was alerted"

    def is_under_way(self, message: MessageRow) -> bool:
        """Taken by a gateway, tried lately, or refused for good with an attempt to show for it."""
        if message.id in self.took or message.state in ("handed", "delivered"):
            return True
        if message.state == "failed":
            return bool(self.attempts_at(message))
        started = [attempt.started_at for attempt in self.attempts_at(message)]
        return message.state in OPEN and self.now - max([message.queued_at, *started]) <= 2 * DELAY

    # 2

    def every_close_names_who(self) -> Iterator[str]:
        """A close has a name, the text or button, and the number or account; the clock closes only by lapse."""
        for dive in self.dives:
            closes = [one for one in self.events(dive) if one.kind == "event:closed"]
            if dive.phase == "closed" and not closes:
                yield f"2: dive {dive.id} is closed, and no entry says by whom"
            for entry in closes:
                by = entry.detail["by"]
                if by["via"] == "clock" and entry.detail["outcome"] != "lapsed":
                    yield f"2: dive {dive.id} was closed by the clock"
                if not by["name"] or (by["via"] == "text" and not (by["phone"] and by["words"])):
                    yield f"2: dive {dive.id} was closed by nobody in particular: {by}"
                if by["via"] == "text" and not self.may_close(dive, by):
                    yield f"8: dive {dive.id} was closed by a phone that is not of it and had no code"

    def may_close(self, dive: DiveRow, by: dict[str, Any]) -> bool:
        """Whether the phone is of the dive or of an admin of its club, or its text had the finish code."""
        digits = "".join(letter for letter in by["words"] if letter.isdigit())
        codes = [code.code for code in self.codes if code.dive_id == dive.id and code.kind == "finish"]
        admins = select(AdminRow.phone).where(AdminRow.club_id == dive.club_id)
        own = {phone.phone for phone in self.phones if phone.dive_id == dive.id}
        own |= set(self.session.execute(admins).scalars())
        return by["phone"] in own or any(code in digits for code in codes)

    # 3

    def whoever_was_alarmed_was_stood_down(self) -> Iterator[str]:
        """After the close whoever got an alarm has the stand-down by that way too, or closed it themselves."""
        for dive in self.dives:
            if dive.phase != "closed" or dive.closed_at is None:
                continue
            closer = [one for one in self.events(dive) if one.kind == "event:closed"][-1].detail["by"]
            messages = self.messages_of(dive)
            alarmed = {(one.phone, one.channel) for one in messages if one.kind in ALARMS and one.id in self.took}
            for phone, way in alarmed:
                # A keeper that stood in for the database may have alarmed about a dive whose end it did not know of.
                late = [m.queued_at for m in messages if (m.phone, m.channel) == (phone, way) and self.is_meanwhile(m)]
                since = max([dive.closed_at, *late])
                over = [m for m in messages if m.phone == phone and self.is_stand_down(m, since, way)]
                if phone == closer["phone"] or self.stood_down(over):
                    continue
                if any(self.withheld(dive, one.person_key) for one in messages if one.phone == phone):
                    continue
                yield f"3: {phone} was alarmed about dive {dive.id} by {way} and never heard so that it is over"

    def is_stand_down(self, message: MessageRow, closed_at: datetime, way: str) -> bool:
        """Whether it belongs to this close, by this way."""
        return message.kind == "stand_down" and message.queued_at >= closed_at and message.channel == way

    @staticmethod
    def is_meanwhile(message: MessageRow) -> bool:
        """Whether it is an alarm that a keeper sent while the database was gone."""
        return message.step.startswith("outage-") and message.kind in ALARMS

    def stood_down(self, over: Sequence[MessageRow]) -> bool:
        """Taken, on its way for less than the stated delay, or refused for good."""
        return any(
            message.id in self.took
            or (message.state in OPEN and self.now - message.queued_at <= DELAY)
            or (message.state == "failed" and bool(self.attempts_at(message)))
            for message in over
        )

    # 4

    def nothing_of_a_step_follows_the_close(self) -> Iterator[str]:
        """Between a close and a reopening no attempt is begun at anything but stand-downs and replies."""
        for dive in self.dives:
            spans = list(self.closed_spans(dive))
            for message in self.messages_of(dive):
                if message.kind not in NEVER_AFTER_CLOSE or self.is_meanwhile(message):
                    continue
                for attempt in self.attempts_at(message):
                    if any(begin < attempt.started_at < end for begin, end in spans):
                        yield f"4: {message.kind} {message.step} of dive {dive.id} went out after its close"

    def closed_spans(self, dive: DiveRow) -> Iterator[tuple[datetime, datetime]]:
        """From each close to the reopening, or to the end."""
        begin = None
        for entry in self.events(dive):
            if entry.kind == "event:closed":
                begin = entry.at
            elif begin is not None and entry.detail.get("reopened"):
                yield begin, entry.at
                begin = None
        if begin is not None:
            yield begin, self.now + timedelta(days=1)

    # 5

    def every_holder_of_a_raise_by_time_was_told_of_changes(self) -> Iterator[str]:
        """A later raise-by time is in force only with a contact holding it, and all contacts are sent it."""
        for dive in self.dives:
            messages = self.messages_of(dive)
            for entry in self.events(dive):
                if entry.kind != "event:extension_took_effect":
                    continue
                step = f"extension-{entry.detail['number']}"
                notices = [one for one in messages if one.step == step and one.channel != "email"]
                sent = {one.person_key for one in notices}
                if entry.detail["contact"] not in {one.person_key for one in notices if one.id in self.took}:
                    yield f"5: {step} of dive {dive.id} is in force, and no contact holds it"
                for phone in self.phones:
                    missing = phone.dive_id == dive.id and phone.role == "contact" and phone.key not in sent
                    if missing and not (self.withheld(dive, phone.key) or self.declined(dive, phone.key)):
                        yield f"5: {phone.key} of dive {dive.id} was not sent {step}"

    # 6

    def the_log_proves_the_rows(self) -> Iterator[str]:
        """Every chain verifies, without gaps; every row is the fold of its events and as old as there are events."""
        for fault in verify_all(self.session):
            yield f"6: {fault.chain} {fault.seq}: {fault.words}"
        for chain, entries in self.by_chain.items():
            if [one.seq for one in entries] != list(range(1, len(entries) + 1)):
                yield f"6: chain {chain} has a gap"
        for dive in self.dives:
            if dive.version != len(self.events(dive)):
                yield f"6: dive {dive.id} has version {dive.version} after {len(self.events(dive))} events"

    # 7

    def no_text_is_missing_from_the_log(self) -> Iterator[str]:
        """Every stored text is in the log, and so is what became of it."""
        logged: dict[str, set[int]] = {}
        for entry in self.entries:
            if "inbound" in entry.detail:
                logged.setdefault(entry.kind, set()).add(entry.detail["inbound"])
        for text in self.inbound:
            if text.id not in logged.get("text_in" if text.authentic else "text_in_unauthentic", ()):
                yield f"7: text {text.id} is not in the log"
            if text.state == "answered" and text.id not in logged.get("text_read", ()):
                yield f"7: what text {text.id} did is not in the log"
            if text.state == "quarantined" and text.authentic and text.id not in logged.get("text_put_aside", ()):
                yield f"7: that text {text.id} was put aside is not in the log"

    def no_part_is_missing_from_the_log(self) -> Iterator[str]:
        """Every stored part of a long text is in the log, and went into a text once it had waited for a minute."""
        logged = {entry.detail["part"] for entry in self.entries if entry.kind == "text_part_in"}
        for part in self.parts:
            if part.id not in logged:
                yield f"7: part {part.id} is not in the log"
            if part.inbound_id is None and self.now - part.received_at > 2 * ANSWER_WITHIN:
                yield f"7: part {part.id} has waited since {part.received_at}"

    def every_text_is_dealt_with(self) -> Iterator[str]:
        """No text waits for longer than a minute."""
        for text in self.inbound:
            if text.state == "stored" and self.now - text.received_at > ANSWER_WITHIN:
                yield f"7: text {text.id} has waited since {text.received_at}"

    # 8

    def no_stranger_gets_a_message(self) -> Iterator[str]:
        """A message goes to a phone of its dive, to an admin of its club, or answers a text from that phone."""
        admins = {(row.club_id, row.phone) for row in self.session.execute(select(AdminRow)).scalars()}
        wrote = {text.sender.replace(" ", "") for text in self.inbound if text.authentic}
        of_dive = {(phone.dive_id, phone.phone) for phone in self.phones}
        for message in self.messages.values():
            known = (message.dive_id, message.phone) in of_dive or (message.club_id, message.phone) in admins
            # Who started a dive with its code is answered, and hears how it ended.
            if not known and not (message.kind in ("reply", "stand_down") and message.phone in wrote):
                yield f"8: {message.phone} got {message.step} of dive {message.dive_id} and does not belong to it"

    def nothing_was_sent_without_an_attempt(self) -> Iterator[str]:
        """What a gateway took is a message of ours, word for word, after an attempt, no oftener than unknown."""
        for reference, taken in self.took.items():
            message = self.messages.get(reference)
            if message is None:
                if [one.gateway for one in taken] != [self.canaries.get(reference)]:
                    yield f"8: a gateway took {reference}, which is no message of ours"
                continue
            attempts = self.attempts_at(message)
            for one in taken:
                if (one.to, one.body) != (message.email or message.phone, message.body):
                    yield f"8: {reference} went to {one.to} with other words, or to another phone"
                if not any(a.gateway == one.gateway and a.started_at <= one.at for a in attempts):
                    yield f"8: {one.gateway} took {reference} before an attempt was recorded"
            unknown = sum(self.is_uncertain(attempt) for attempt in attempts)
            again = sum(one.kind == "another_way" and one.detail.get("message") == reference for one in self.entries)
            if len(taken) > 1 + unknown + again:
                yield f"12: {reference} was taken {len(taken)} times with {unknown} unknown outcomes"

    @staticmethod
    def is_uncertain(attempt: AttemptRow) -> bool:
        """Whether another attempt was right: no outcome was known, or none until the lease was over."""
        slept = attempt.ended_at is not None and attempt.ended_at - attempt.started_at > LEASE
        return slept or attempt.outcome in (None, "unknown")

    # 9

    def no_alert_was_behind_a_reminder(self) -> Iterator[str]:
        """While an alert waited for its first attempt, nothing calm was begun."""
        first: dict[str, AttemptRow] = {}
        for attempt in self.attempts:
            first.setdefault(attempt.message_id, attempt)
        urgent = [(self.messages[key], one) for key, one in first.items() if self.messages[key].priority <= 1]
        calm = [one for key, one in first.items() if self.messages[key].priority > 2]
        for message, began in urgent:
            for other in calm:
                if message.queued_at < other.started_at and other.id < began.id and other.started_at < began.started_at:
                    yield f"9: {message.kind} {message.step} of dive {message.dive_id} waited behind something calm"

    # 10

    def phases_only_rise(self) -> Iterator[str]:
        """Nothing that quietens is in force once contacts are alarmed, and the row is in the phase that was reached."""
        rank = {phase: number for number, phase in enumerate(("filed", *LIVE, "closed"))}
        for dive in self.dives:
            reached = "filed"
            for entry in self.events(dive):
                alarmed = reached in ALARMS
                if alarmed and entry.kind in ("event:extension_took_effect", "event:started"):
                    yield f"10: {entry.kind} of dive {dive.id} after the alarm"
                if reached == "closed" and not entry.detail.get("reopened"):
                    yield f"10: {entry.kind} of dive {dive.id} after its close"
                reached = "filed" if entry.detail.get("reopened") else reached
                reached = max(reached, self.phase_of(entry) or reached, key=lambda phase: rank[phase])
            if reached != dive.phase:
                yield f"10: dive {dive.id} is {dive.phase}, its events lead to {reached}"

    @staticmethod
    def phase_of(entry: Entry) -> str | None:
        """The phase that an event leads to."""
        steps = {"due_out": "uncertainty", "second_call": "uncertainty", "alert": "alert", "next_contact": "alert"}
        steps |= {"distress": "distress", "distress_again": "distress"}
        plain = {"event:started": "in_water", "event:alarm_raised": "alert", "event:rescue_called": "distress"}
        plain |= {"event:closed": "closed"}
        return plain.get(entry.kind) or steps.get(entry.detail.get("step", ""))

    # 11

    def alarms_say_what_is_so(self) -> Iterator[str]:
        """Who, how many, where and when in an alarm are those of the dive at that event."""
        for dive in self.dives:
            facts: dict[str, Any] = {}
            said = {(m.cause_seq, m.id): m for m in self.messages_of(dive) if m.step.rpartition("-")[0] in LADDER}
            for entry in self.events(dive):
                facts = self.facts_after(facts, entry)
                for (cause, _), message in said.items():
                    if cause == entry.seq:
                        missing = self.missing(dive, facts, entry.at, message)
                        if missing:
                            yield f"11: {message.step} of dive {dive.id} does not say {missing}: {message.body}"

    @staticmethod
    def facts_after(facts: dict[str, Any], entry: Entry) -> dict[str, Any]:
        """What was so after an event."""
        changed = dict(facts)
        if entry.kind == "event:filed":
            changed = {"plan": entry.detail["plan"], "count": len(entry.detail["plan"]["party"])}
        if entry.kind == "event:started":
            changed |= {"count": entry.detail["head_count"], "due_out_at": entry.detail["due_out_at"]}
        if entry.kind == "event:extension_took_effect":
            changed |= {"due_out_at": entry.detail["due_out_at"]}
        if entry.kind == "event:fix_reported":
            changed |= {"position": entry.detail["position"]}
        return changed

    def missing(self, dive: DiveRow, facts: dict[str, Any], at: datetime, message: MessageRow) -> list[str]:
        """What an alarm has to say and does not. A call says a position digit by digit, and no reference."""
        body, spoken = message.body.lower(), message.channel == "call"
        wanted = [words for words in self.wanted(dive, facts, at, message) if words.lower() not in body]
        position = facts.get("position") or facts["plan"]["site"]["position"]
        if position and spoken:
            digits = "".join(letter for letter in body if letter.isdigit())
            figures = [f"{abs(position[axis]):.5f}".replace(".", "") for axis in ("lat", "lon")]
            return wanted + [one for one in figures if one not in digits]
        if position and f"{position['lat']:.5f},{position['lon']:.5f}" not in body:
            wanted.append("the position")
        return wanted

    @staticmethod
    def wanted(dive: DiveRow, facts: dict[str, Any], at: datetime, message: MessageRow) -> list[str]:
        """The words that must be in it; those that every language has of its own are asked of English alone."""
        count, english, spoken = facts["count"], message.language == "en", message.channel == "call"
        heads = "1 diver" if count == 1 else f"{count} divers"
        words = [dive.lead_name, dive.site_name, *([] if spoken else [dive.reference])]
        words += [heads if spoken else f"({heads})"] if english else [str(count)]
        if facts.get("due_out_at"):
            zone = ZoneInfo(dive.zone)
            due = datetime.fromisoformat(facts["due_out_at"]).astimezone(zone)
            if due.date() == at.astimezone(zone).date():
                before = {"text": "due out ", "call": "due out at ", "email": "due out: "}[message.channel]
                words.append(f"{before if english else ''}{due:%H:%M}")
        return words
