"""The gateways: an attempt before every effect, one at a time, as often as needed, urgent before calm."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from datetime import datetime, timedelta
from itertools import pairwise

from tests.checker.folding import Histories
from tests.checker.questions_ladder import DELAY
from tests.checker.reading import OPEN, Attempt, Message, Record, grouped

LEASE = timedelta(seconds=27)
CLOCKS_APART = timedelta(seconds=4)  # two machines, each up to 2 s beside
OF_ANOTHER = timedelta(minutes=5)  # a receipt that is older than a message by more than this speaks of another
UNKNOWN_AT_FIRST = "nobody knew at first"
LOST = "the lease ran out before an outcome was recorded"
URGENT = 2  # distress 0, alert 1, stand-down 2
CALM_AFTER = timedelta(seconds=2)
FAULTS = 5


def nothing_was_sent_without_an_attempt(record: Record, _: Histories) -> Iterator[str]:
    """What a gateway took is a message of ours, word for word, to its person, after an attempt was recorded."""
    canaries = {f"canary-{row.id}": row.gateway for row in record.canaries}
    for reference, taken in record.took.items():
        message = record.messages.get(reference)
        if message is None:
            if [one.gateway for one in taken] != [canaries.get(reference)]:
                yield f"a gateway took {reference}, which is no message of ours"
            continue
        attempts = record.attempts_at(message)
        for one in taken:
            if (one.to, one.body) != (message.email or message.phone, message.body):
                yield f"{reference} went to {one.to} with other words, or to another phone"
            before = one.at + record.set_back
            if not any(a.gateway == one.gateway and a.started_at <= before for a in attempts):
                yield f"{one.gateway} took {reference} before an attempt was recorded"


def nothing_is_taken_oftener_than_in_doubt(record: Record, _: Histories) -> Iterator[str]:
    """A message is taken once, and once more for each unknown outcome and each time that another way was needed.

    And for each outage in which a keeper told it: what it tells by may be older than what was told last.
    """
    again = grouped(
        [entry for kind in ("another_way", "told_meanwhile") for entry in record.entries_by_kind.get(kind, ())],
        lambda entry: entry.says.get("message"),
    )
    noted = grouped(record.entries_by_kind.get("attempt:unknown", ()), lambda entry: entry.says.get("message"))
    for reference, taken in record.took.items():
        message = record.messages.get(reference)
        if message is not None:
            attempts = record.attempts_at(message)
            unknown = sum(_is_uncertain(attempt) for attempt in attempts)
            # What was unknown at first and is known by now is marked; each doubt that was noted counts once.
            counted = sum(attempt.detail != LOST and _is_uncertain(attempt) for attempt in attempts)
            unknown += max(len(noted.get(reference, ())) - counted, 0)
            if len(taken) > 1 + unknown + len(again.get(reference, ())):
                yield f"{reference} was taken {len(taken)} times with {unknown} unknown outcomes"


def _is_uncertain(attempt: Attempt) -> bool:
    """Whether another attempt was right: no outcome was known, or none until the lease was over."""
    slept = attempt.ended_at is not None and attempt.ended_at - attempt.started_at > LEASE
    return slept or attempt.outcome in (None, "unknown") or (attempt.detail or "").endswith(UNKNOWN_AT_FIRST)


def a_reply_in_doubt_is_not_sent_again(record: Record, _: Histories) -> Iterator[str]:
    """Twice rather than never holds for alarms; a reply that may have got through does not go again."""
    for message in record.messages.values():
        attempts = record.attempts_at(message)
        doubts = [one for one in attempts[:-1] if one.outcome == "unknown"]
        if message.kind == "reply" and doubts:
            yield f"{message.step} to {message.person_key} went again after an unknown outcome"


def attempts_at_one_message_do_not_overlap(record: Record, _: Histories) -> Iterator[str]:
    """The next attempt begins when the one before has ended, or when its lease is over."""
    for message_id, attempts in record.attempts_by_message.items():
        for one, following in pairwise(attempts):
            until = one.started_at + LEASE
            # What was given up for lost has ended when its lease was over, whatever was written down.
            until = until if one.ended_at is None or one.detail == LOST else min(until, one.ended_at)
            if following.started_at < until - record.set_back - CLOCKS_APART:
                yield f"attempts {one.id} and {following.id} at {message_id} overlap"


def attempts_and_message_agree(record: Record, _: Histories) -> Iterator[str]:
    """How often a message was tried is how many attempts it has, and one is open only while it is in flight."""
    for message in record.messages.values():
        attempts = record.attempts_at(message)
        open_ = [one for one in attempts if one.ended_at is None]
        if message.attempts != len(attempts):
            yield f"{message.id} counts {message.attempts} attempts and has {len(attempts)}"
        if message.state in OPEN and (message.in_flight != bool(open_) or len(open_) > 1):
            yield f"{message.id} is in flight: {message.in_flight}, with {len(open_)} attempts open"
        if (message.state == "leased") != (message.lease_owner is not None):
            yield f"{message.id} is {message.state} and leased to {message.lease_owner}"


def every_attempt_is_in_the_log(record: Record, _: Histories) -> Iterator[str]:
    """An attempt whose end is known has its entry, and so has a message that was given up without one."""
    logged = grouped(
        [entry for kind, entries in record.entries_by_kind.items() if kind.startswith("attempt:") for entry in entries],
        lambda entry: entry.says.get("message"),
    )
    meanwhile: Counter[str] = Counter()  # those of a keeper that stood in for the database, listed in one entry
    for entry in record.entries_by_kind.get("told_meanwhile", ()):
        meanwhile[entry.says.get("message", "")] += len(entry.says.get("attempts", ()))
    erased = {entry.dive_id for entry in record.entries if entry.detail is None}
    for message in record.messages.values():
        ended = [one for one in record.attempts_at(message) if one.ended_at is not None and one.detail != LOST]
        kept = len(logged.get(message.id, ())) + meanwhile[message.id]
        if kept < len(ended) and message.dive_id not in erased:
            yield f"{len(ended)} attempts at {message.id} ended, and the log has {kept}"


def what_is_handed_was_taken(record: Record, _: Histories) -> Iterator[str]:
    """Handed and delivered mean that a gateway said so in an attempt, and that its journal has the message."""
    for message in record.messages.values():
        if message.state not in ("handed", "delivered"):
            continue
        accepted = [one for one in record.attempts_at(message) if one.outcome == "accepted"]
        handed = [one for one in accepted if (one.gateway, one.provider_id) == _handing(message)]
        if message.state == "handed" and not handed:
            yield f"{message.id} is handed, and no attempt says that {message.handed_gateway} took it"
        if message.id not in record.took:
            yield f"{message.id} is {message.state}, and no gateway has it"


def _handing(message: Message) -> tuple[str | None, str | None]:
    return message.handed_gateway, message.provider_id


def the_furthest_receipt_wins(record: Record, _: Histories) -> Iterator[str]:
    """A message is delivered when a receipt says so and never otherwise; a failure counts for its own handing over."""
    carried = {(one.gateway, one.provider_id): one for one in record.attempts if one.outcome == "accepted"}
    by_message: dict[str, set[str]] = {}
    for receipt in record.receipts:
        attempt = carried.get((receipt.gateway, receipt.provider_id))
        message = record.messages.get(receipt.message_id or (attempt.message_id if attempt else ""))
        if message is None or (receipt.message_id is None and receipt.received_at < message.queued_at - OF_ANOTHER):
            continue  # one from before there was that message is of another that had its id
        by_message.setdefault(message.id, set()).add(receipt.state)
        if receipt.state == "delivered" and message.state != "delivered":
            yield f"{message.id} is {message.state}, and receipt {receipt.id} says that it was delivered"
        stands = _handing(message) == (receipt.gateway, receipt.provider_id) and message.state == "handed"
        if receipt.state == "failed" and stands:
            yield f"{message.id} is handed, and receipt {receipt.id} says that it failed"
    for message in record.messages.values():
        if message.state == "delivered" and "delivered" not in by_message.get(message.id, ()):
            yield f"{message.id} is delivered, and no receipt says so"


def times_are_in_order(record: Record, _: Histories) -> Iterator[str]:
    """Queued, then begun, then ended, then delivered; no row is of later than now."""
    slack = record.set_back
    latest = record.now + slack
    for message in record.messages.values():
        begun = [one.started_at for one in record.attempts_at(message)]
        later = [message.handed_at, message.delivered_at, message.ended_at]
        if begun and message.queued_at > begun[0] + slack:
            yield f"{message.id} was begun before it was queued"
        if any(at is not None and at < message.queued_at - slack for at in later) or message.queued_at > latest:
            yield f"{message.id} ended before it was queued, or later than now"
    for attempt in record.attempts:
        if attempt.ended_at is not None and attempt.ended_at < attempt.started_at - slack:
            yield f"attempt {attempt.id} ended before it began"
    for text in record.texts.values():
        if text.answered_at is not None and text.answered_at < text.received_at - slack:
            yield f"text {text.id} was answered before it came"


def no_alert_was_behind_a_reminder(record: Record, _: Histories) -> Iterator[str]:
    """While an alert waited for its first attempt, nothing calm was begun."""
    first: dict[str, Attempt] = {}
    for attempt in record.attempts:
        first.setdefault(attempt.message_id, attempt)
    calm = [one for key, one in first.items() if _priority(record, key) > URGENT]
    calm.sort(key=lambda one: one.id)
    for message in record.messages.values():
        if message.priority >= URGENT:
            continue
        began = first.get(message.id)
        until = _waited_until(message) if began is None else None
        for other in calm:
            if began is not None and other.id > began.id:
                break
            behind = began is not None and message.queued_at < other.started_at < began.started_at
            if behind or (until is not None and message.queued_at + CALM_AFTER < other.started_at < until):
                yield f"{message.kind} {message.step} of dive {message.dive_id} waited behind something calm"
                break


def _priority(record: Record, message_id: str) -> int:
    return record.messages[message_id].priority


def _waited_until(message: Message) -> datetime | None:
    """Until when a message without any attempt could have had one; None where it never could."""
    if message.state in OPEN:
        return datetime.max.replace(tzinfo=message.queued_at.tzinfo)
    return message.ended_at if message.state == "expired" else None


def an_urgent_message_goes_another_way_next(record: Record, _: Histories) -> Iterator[str]:
    """What is urgent and was not taken is not tried by the same gateway again, where another serves that phone."""
    serving: dict[tuple[str, str], set[str]] = {}
    for attempt in record.attempts:
        message = record.messages[attempt.message_id]
        if message.priority <= URGENT:
            address = message.channel, message.email or message.phone
            attempts = record.attempts_at(message)
            place = attempts.index(attempt)
            known = serving.setdefault(address, set())
            same = place > 0 and attempts[place - 1].gateway == attempt.gateway
            if same and known - {attempt.gateway}:
                yield f"{message.kind} {message.step} to {message.phone} went by {attempt.gateway} twice running"
            known.add(attempt.gateway)


def a_gateway_that_keeps_failing_is_rested(record: Record, _: Histories) -> Iterator[str]:
    """After some faults in a row the log says that a gateway rests."""
    rests = {entry.says.get("gateway") for entry in record.entries_by_kind.get("gateway_rests", ())}
    in_row: dict[str, int] = {}
    # What a keeper tried while the database was gone, nobody could note of a gateway.
    noted = [one for one in record.attempts if not one.carried_by.startswith("keeper:")]
    ended = [one for one in noted if one.ended_at is not None and one.detail != LOST]
    for attempt in sorted(ended, key=lambda one: (one.ended_at, one.id)):
        in_row[attempt.gateway] = in_row.get(attempt.gateway, 0) + 1 if attempt.outcome == "unknown" else 0
        if in_row[attempt.gateway] >= FAULTS and attempt.gateway not in rests:
            yield f"gateway {attempt.gateway} failed {FAULTS} times in a row, and was never rested"
            return


def no_attempt_is_left_open(record: Record, _: Histories) -> Iterator[str]:
    """In the calm an attempt whose carrier vanished ends when its lease is over, be its message tried again or not.

    What is delivered beside it is done with, and an attempt that then vanishes is nobody's.
    """
    last = max((attempt.started_at for attempt in record.attempts), default=record.now)
    for message in record.messages.values():
        for attempt in record.attempts_at(message):
            open_ = attempt.ended_at is None and message.state != "delivered"
            if open_ and last - attempt.started_at > LEASE + DELAY:
                yield f"attempt {attempt.id} at {message.id} is open since {attempt.started_at}"
