"""What people say: every text kept, read once, and nothing lowered without a word that proves who said it."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

from tests.checker.folding import Folded, Histories
from tests.checker.reading import Dive, Entry, Record, Text, digits, grouped

ANSWER_WITHIN = timedelta(seconds=60)
ANSWER_SOON = timedelta(seconds=15)
CLOCKS_APART = timedelta(minutes=2)
ENDED_LATELY = timedelta(hours=2)

# What lowers concern, or is taken for an answer: each needs a word that can be traced.
LOWERS = ("closed", "partly_out", "extension_asked", "acknowledged", "started", "late_passed_on", "rescue_called")
FILED_BY_START = "plan and start by one text"
_ENDS = ("closed", "partly_out")
_HELP = ("raise_now", "worry")
_LONG_NUMBER = re.compile(r"(?<![\d.+-])\d{6,9}(?![\d.])")
_PARTY = re.compile(r"(?<![\w.+/-])\d{1,2}(?:/| of )(\d{1,2})(?![\w.:/])")
_COUNT = re.compile(r"(?<![\w.+-])(\d{1,2})(?![\w.:])")


# 7 Nothing is lost


def no_text_is_missing_from_the_log(record: Record, _: Histories) -> Iterator[str]:
    """Every stored text and part is in the log, and so is what became of it."""
    logged: dict[str, Counter[int]] = {}
    for kind in ("text_in", "text_in_unauthentic", "text_read", "text_put_aside"):
        logged[kind] = Counter(entry.says.get("inbound", 0) for entry in record.entries_by_kind.get(kind, ()))
    gone = any(entry.detail is None for entry in record.entries)
    for text in record.texts.values():
        if not logged["text_in" if text.authentic else "text_in_unauthentic"][text.id]:
            yield f"text {text.id} is not in the log"
        if text.state == "answered" and not logged["text_read"][text.id] and not gone:
            yield f"what text {text.id} did is not in the log"
        if text.state == "quarantined" and text.authentic and not logged["text_put_aside"][text.id]:
            yield f"that text {text.id} was put aside is not in the log"
    parts = {entry.says.get("part") for entry in record.entries_by_kind.get("text_part_in", ())}
    for part in record.parts:
        if part.id not in parts:
            yield f"part {part.id} is not in the log"
        if part.inbound_id is None and record.now - part.received_at > 2 * ANSWER_WITHIN:
            yield f"part {part.id} has waited since {part.received_at}"


def every_text_is_dealt_with(record: Record, _: Histories) -> Iterator[str]:
    """No text waits for a minute, nor, when sweeps run, for 15 s if it has not broken anything yet."""
    stored_at = {entry.says.get("inbound"): entry.at for entry in record.entries_by_kind.get("text_in", ())}
    for text in record.texts.values():
        if text.state != "stored":
            continue
        since = stored_at.get(text.id, text.received_at)
        if record.now - since > ANSWER_WITHIN or (record.swept_at - since > ANSWER_SOON and not text.tries):
            yield f"text {text.id} has waited since {since}"


def every_text_acts_once(record: Record, _: Histories) -> Iterator[str]:
    """A text is stored once under its gateway's id, read once, and one that doubles another is not read at all."""
    stored = Counter((text.gateway, text.provider_id, text.authentic) for text in record.texts.values())
    read = Counter(entry.says["inbound"] for entry in record.entries_by_kind.get("text_read", ()) if entry.says)
    for key in [key for key, times in stored.items() if times > 1]:
        yield f"text {key} is stored twice"
    for text_id, times in read.items():
        text = record.texts.get(text_id)
        if times > 1 or text is None or text.state != "answered" or not text.authentic:
            yield f"text {text_id} was read {times} times and is {text and text.state}"
    answering = [one for one in record.messages.values() if one.step.startswith(("answer-", "standing-"))]
    answers = Counter((one.dive_id, one.step, one.phone) for one in answering)
    for step in [step for step, times in answers.items() if times > 1]:
        yield f"{step} is answered twice"


def no_answer_of_before_follows_the_end(record: Record, _: Histories) -> Iterator[str]:
    """Once a dive is over none of the answers that waited is begun: what they say of it is no longer so."""
    for dive in record.dives.values():
        for entry in record.of_dive(dive):
            if entry.event != "closed":
                continue
            since = entry.at + record.commits_within
            for message in record.messages_of(dive):
                late = any(since < attempt.started_at for attempt in record.attempts_at(message))
                if late and message.kind == "reply" and message.queued_at < entry.at:
                    yield f"{message.step} to {message.person_key} of dive {dive.id} went out after its end"


# 2, 8 Who lowered what


def every_close_names_who(record: Record, folds: Histories) -> Iterator[str]:
    """A close has a name, the text or button, and the number or account; the clock closes only by lapse."""
    yield from _whole_counts(record, folds)
    for dive in record.dives.values():
        closes = [entry for entry in record.of_dive(dive) if entry.event == "closed"]
        if dive.phase == "closed" and not closes:
            yield f"dive {dive.id} is closed, and no entry says by whom"
        for entry in closes:
            if not entry.says:
                continue
            by = entry.says["by"]
            if by["via"] == "clock" and entry.says["outcome"] != "lapsed":
                yield f"dive {dive.id} was closed by the clock"
            if not by["name"] or (by["via"] == "text" and not (by["phone"] and by["words"])):
                yield f"dive {dive.id} was closed by nobody in particular: {by}"
            if by["via"] == "command" and not by["words"]:
                yield f"dive {dive.id} was closed from the command line without a reason"


def _whole_counts(record: Record, folds: Histories) -> Iterator[str]:
    for dive in record.dives.values():
        for entry, before, _ in folds.steps(dive):
            if entry.event == "closed" and entry.says["count"] not in (None, before.head_count):
                yield f"dive {dive.id} was closed with {entry.says['count']} of {before.head_count}"
            if entry.event == "partly_out" and not 0 <= entry.says["count"] < before.head_count:
                yield f"dive {dive.id} counts {entry.says['count']} of {before.head_count} as not all"


def whoever_lowers_a_concern_may(record: Record, folds: Histories) -> Iterator[str]:
    """By text from a phone of the dive, of an admin of its club, or with its code; by a page or button as a person."""
    admins = {(admin.club_id, f"admin-{admin.id}"): admin.phone for admin in record.admins}
    for dive in record.dives.values():
        people = {phone.key: phone.phone for phone in record.phones_by_dive.get(dive.id, ())}
        for entry, before, _ in folds.steps(dive):
            by = entry.says.get("by")
            if entry.event not in (*LOWERS, "on_scene") or by is None or by["via"] in ("clock", "api"):
                continue
            who = f"{entry.kind} {entry.seq} of dive {dive.id}"
            is_admin = by["role"] == "admin" and (dive.club_id, by["key"]) in admins
            known = by["key"] in people or by["key"] in _keys(before)
            if by["role"] in ("diver", "contact") and not (known and by["key"].startswith(by["role"])):
                yield f"{who} names {by['key']} as {by['role']}"
            if by["role"] == "admin" and not is_admin:
                yield f"{who} is by an admin of another club"
            if by["via"] != "text":
                continue
            phone = people.get(by["key"] or "", admins.get((dive.club_id, by["key"])))
            coded = _has_code(record, dive, entry, by["words"])
            if phone != by["phone"] and not coded:
                yield f"{who} is by a phone that is not of it, without its code"
            if by["role"] == "stranger" and not coded:
                yield f"{who} is by a stranger without its code"


def _keys(before: Folded) -> set[str]:
    return {f"diver-{place}" for place in range(len(before.plan["party"]))} | set(before.contacts)


def _has_code(record: Record, dive: Dive, entry: Entry, words: str) -> bool:
    """Whether the words hold the code that this needs: the start code starts, the finish code does the rest."""
    spoken = "".join(filter(str.isdigit, words))
    kinds = ("start",) if entry.event == "started" else ("finish", "start")
    kinds = ("finish",) if entry.event in _ENDS else kinds
    codes = record.codes_by_dive.get(dive.id, {})
    return any(kind in codes and codes[kind].code in spoken for kind in kinds)


def each_does_what_is_theirs(record: Record, folds: Histories) -> Iterator[str]:
    """The party extends and surfaces, those ashore answer and stand down; where a code is asked for, it is there."""
    for dive in record.dives.values():
        for entry, before, _ in folds.steps(dive):
            by, who = entry.says.get("by"), f"{entry.kind} {entry.seq} of dive {dive.id}"
            if by is None:
                continue
            role, coded = by["role"], by["via"] == "text" and _has_code(record, dive, entry, by["words"])
            if entry.event in ("extension_asked", "late_passed_on") and role == "contact":
                yield f"{who} is by a contact"
            if entry.event == "acknowledged" and (role == "diver" or _was_not_told(by, before)):
                yield f"{who} is by a diver, or by a contact who was told of no alarm"
            if entry.event != "closed" or by["via"] != "text":
                continue
            outcome, needs = entry.says["outcome"], before.grace["finish_needs"]
            if outcome == "surfaced" and role == "contact" and not coded:
                yield f"{who} is a contact's OUT without the code"
            if needs == "code" and role == "diver" and before.started_at is not None and not coded:
                yield f"{who} has no finish code, and its club asks for one"
            if outcome == "called_off" and before.started_at and (not before.assumed or before.start_said):
                yield f"{who} calls off a dive that is in the water"


def _was_not_told(by: dict[str, Any], before: Folded) -> bool:
    """Whether a contact's OK by text came before the alarm; who declined gets none, a called rescue is told to all."""
    if (by["role"], by["via"]) != ("contact", "text") or before.called_at is not None:
        return False
    return by["key"] not in {key for key, _ in before.alerted} and by["key"] not in before.declined


def a_count_and_a_code_are_heeded(record: Record, folds: Histories) -> Iterator[str]:
    """Words with a smaller count close nothing, and words with a number that is no code of the dive change nothing."""
    for dive in record.dives.values():
        codes = [code.code for code in record.codes_by_dive.get(dive.id, {}).values()]
        for entry, before, _ in folds.steps(dive):
            by = entry.says.get("by")
            if by is None or by["via"] != "text" or entry.event not in ("closed", "started", "extension_asked"):
                continue
            words = by["words"]
            other = [number for number in _LONG_NUMBER.findall(words) if number not in codes]
            if other and not any(code in words for code in codes):
                yield f"{entry.kind} {entry.seq} of dive {dive.id} is by {words!r}, which is no code of it"
            parties = [int(party) for party in _PARTY.findall(words)]
            spoken = [int(count) for count in _COUNT.findall(words) if count != dive.reference]
            if entry.event == "closed" and entry.says["outcome"] != "called_off":
                if any(party != before.head_count for party in parties):
                    yield f"dive {dive.id} of {before.head_count} was closed by {words!r}, which is of another party"
                if any(count < before.head_count for count in spoken):
                    yield f"dive {dive.id} of {before.head_count} was closed by {words!r}"
                if before.partly_out is not None and not spoken and by["role"] == "diver":
                    yield f"dive {dive.id} was closed by {words!r} after fewer were counted out"


# I14 Where a word comes from


def every_word_was_heard(record: Record, folds: Histories) -> Iterator[str]:
    """What somebody said by text is an authentic text to that dive's number, from that phone, read in that instant."""
    read = grouped(record.entries_by_kind.get("text_read", ()), lambda entry: (entry.chain, entry.at))
    for dive in record.dives.values():
        for entry, before, _ in folds.steps(dive):
            by = entry.says.get("by")
            if by is None or by["via"] != "text" or entry.event not in LOWERS:
                continue
            readings = [one for one in read.get((entry.chain, entry.at), ()) if one.seq > entry.seq]
            heard = [record.texts.get(one.says.get("inbound", 0)) for one in readings]
            heard = [text for text in heard if text and _is_by(text, by["phone"], by["words"])]
            who = f"{entry.kind} {entry.seq} of dive {dive.id}"
            if not heard or heard[0] is None:
                yield f"{who} was heard in no text"
                continue
            text = heard[0]
            if not text.authentic or text.receiver != dive.receiving_number or text.same_as is not None:
                yield f"{who} is by a text that was not authentic, or not to its number, or heard before"
            wrong = _of_before(record, dive, entry, before, text) or _of_another(record, dive, entry, before)
            if wrong:
                yield f"{who} is by a text {wrong}"


def _is_by(text: Text, phone: str | None, words: str) -> bool:
    return digits(text.sender) == digits(phone or "") and words.strip() == text.body.strip()


def _of_before(record: Record, dive: Dive, entry: Entry, before: Folded, text: Text) -> str | None:
    """Why a text that lay somewhere is not about this dive as it was; a gateway's clock may be two minutes behind."""
    came_at = text.received_at + CLOCKS_APART + record.set_back
    if entry.event in (*_ENDS, "extension_asked", "late_passed_on", "acknowledged"):
        filing = [one for one in _about(record, dive) if one.intent == "plan" or one.note == FILED_BY_START]
        began = [before.filed_at, *(one.received_at for one in filing)]
        if came_at < min(began):
            return "of before the dive"
    if entry.event == "acknowledged":
        key = entry.says["by"]["key"]
        told = [at for person, at in before.alerted if person == key]
        if came_at < max(told, default=before.alarm_at or before.filed_at):
            return "of before the alarm that it answers"
    if entry.event in _ENDS:
        read = [one.says for one in record.of_dive(dive) if one.kind == "text_read" and one.seq < entry.seq]
        calls = [record.texts[one["inbound"]].received_at for one in read if one.get("intent") in _HELP]
        if before.raised and any(text.received_at < at for at in calls):
            return "of before somebody called for help"
    return None


def _of_another(record: Record, dive: Dive, entry: Entry, before: Folded) -> str | None:
    """Why words that name no dive are no end of a plan that has not begun: another of that phone ended just before."""
    by = entry.says["by"]
    named = dive.reference in by["words"].upper().replace(" ", "") or _has_code(record, dive, entry, by["words"])
    calls_off = entry.says.get("outcome") == "called_off"
    if entry.event not in _ENDS or before.phase != "filed" or named or calls_off:
        return None
    for other in record.dives.values():
        phones = {phone.phone for phone in record.phones_by_dive.get(other.id, ())}
        ends = [one.at for one in record.of_dive(other) if one.event == "closed"]
        lately = any(timedelta() <= entry.at - at < ENDED_LATELY for at in ends)
        if other.id != dive.id and other.receiving_number == dive.receiving_number and by["phone"] in phones and lately:
            return f"that may be of dive {other.id}, which was over lately"
    return None


def _about(record: Record, dive: Dive) -> list[Text]:
    return [text for text in record.texts.values() if text.dive_id == dive.id]


def no_club_moves_another_clubs_dive(record: Record, folds: Histories) -> Iterator[str]:
    """What is read from a text changes dives of the club of its number, and is logged under that club."""
    numbers = {club.receiving_number: club.id for club in record.clubs}
    for text in record.texts.values():
        dive = record.dives.get(text.dive_id or "")
        if dive is not None and numbers.get(text.receiver) != dive.club_id:
            yield f"text {text.id} to {text.receiver} moved dive {dive.id} of {dive.club_id}"
    clubs = {(admin.club_id, f"admin-{admin.id}") for admin in record.admins}
    for dive in record.dives.values():
        for entry, _, _ in folds.steps(dive):
            by = entry.says.get("by") or {}
            if by.get("role") == "admin" and (dive.club_id, by["key"]) not in clubs:
                yield f"{entry.kind} {entry.seq} of dive {dive.id} is by {by['key']}, no admin of {dive.club_id}"
