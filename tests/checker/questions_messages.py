"""The outbox: what is queued has a cause, goes to whom it concerns, and ends with the dive it is about."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from datetime import datetime, timedelta

from tests.checker.folding import Folded, Histories
from tests.checker.questions_ladder import ALARMS, DELAY
from tests.checker.reading import OPEN, Dive, Entry, Message, Person, Record, digits, grouped

NEVER_AFTER_CLOSE = ("distress", "alert", "reminder", "start_notice", "other")
MEANWHILE = "outage-"  # of a keeper that stood in for the database
STAND_DOWN = "stand_down"
ALARMED = ("alert", "distress")
RAISES = ("alarm_raised", "told_meanwhile")
RAISING_STEPS = ("alert", "next_contact", "distress", "distress_again")
FOLLOWED = ("stand_down_again", "alarm_again", "called_again")
ANSWERS = ("acknowledged", "on_scene")
WITHOUT_EVENT = ("answer-", "standing-", "fault-", "stand_down-", MEANWHILE)
REPLIES_TO_STRANGERS = 5
REPLIES_TO_PEOPLE = 20
REPLIES_TO_HELP = 3  # beside them
HELP = ("raise_now", "worry")
_HOUR = timedelta(hours=1)


def closed_spans(record: Record, dive: Dive) -> Iterator[tuple[datetime, datetime]]:
    """From each close to the reopening, or to the end."""
    begin = None
    for entry in record.of_dive(dive):
        if entry.event == "closed":
            begin = entry.at
        elif begin is not None and entry.event == "alarm_raised" and entry.says.get("reopened"):
            yield begin, entry.at
            begin = None
    if begin is not None:
        yield begin, record.now + timedelta(days=1)


# Causes


def every_message_has_its_one_cause(record: Record, _: Histories) -> Iterator[str]:
    """A message of a dive is of an event of that dive, queued in its instant, and in the log behind it."""
    listed = {
        one["id"]: (entry.dive_id, entry.says["cause"], one["person"], one["step"])
        for entry in record.entries_by_kind.get("messages", ())
        for one in entry.says.get("queued", ())
    }
    again = {entry.says.get("again") for entry in record.entries_by_kind.get("resent", ())} | followed(record).keys()
    events = {(entry.dive_id, entry.seq): entry for entry in record.entries if entry.event}
    for message in record.messages.values():
        if message.dive_id is None or message.id in again or "+" in message.step:
            continue
        where = f"{message.step} to {message.person_key} of dive {message.dive_id}"
        if message.cause_seq is None:
            if not message.step.startswith(WITHOUT_EVENT):
                yield f"{where} has no cause"
            continue
        cause = events.get((message.dive_id, message.cause_seq))
        if cause is None or cause.at != message.queued_at:
            yield f"{where} is not of the instant of its cause {message.cause_seq}"
        kept = (message.dive_id, message.cause_seq, message.person_key, message.step)
        if listed.get(message.id) != kept and record.of_dive(record.dives[message.dive_id])[0].detail is not None:
            yield f"{where} is not in the log behind its cause"
    for lost in listed.keys() - record.messages.keys():
        yield f"the log says that message {lost} was queued, and there is none"


def no_cause_tells_anybody_twice(record: Record, _: Histories) -> Iterator[str]:
    """One step, one cause: one message to a person by a way."""
    steps: Counter[tuple[object, ...]] = Counter()
    causes: Counter[tuple[object, ...]] = Counter()
    for one in record.messages.values():
        steps[one.dive_id or one.club_id, one.step, one.person_key, one.channel] += 1
        if one.cause_seq is not None and "+" not in one.step:
            causes[one.dive_id, one.cause_seq, one.person_key, one.channel, one.kind] += 1
    for key in [key for key, times in (steps + causes).items() if times > 1]:
        yield f"{key} is queued twice"


def a_stand_down_follows_a_close(record: Record, folds: Histories) -> Iterator[str]:
    """Nobody hears that it is over before somebody said so; once more where an alarm got through after it."""
    # By its place in the log: whoever stood still may stamp it with a time from before the close.
    again = followed(record)
    for dive in record.dives.values():
        closed = [entry for entry in record.of_dive(dive) if entry.event == "closed"]
        closes = [entry.at for entry in closed]
        late = any(message.step.startswith(MEANWHILE) for message in record.messages_of(dive))
        for message in record.messages_of(dive):
            if message.kind != "stand_down" or "+" in message.step or message.step.startswith(MEANWHILE):
                continue
            if message.queued_at in closes:
                continue
            again_after = bool(closed) and again.get(message.id, 0) > closed[0].seq
            if not again_after and not (late and closes and message.queued_at > closes[0]):
                yield f"{message.step} to {message.person_key} of dive {dive.id} was queued without a close"


def followed(record: Record) -> dict[str, int]:
    """What was queued once more since something older got through after it, each with its place in the log."""
    entries = (entry for kind in FOLLOWED for entry in record.entries_by_kind.get(kind, ()))
    over = record.entries_by_kind.get("fault_over", ())  # an alarm after the end, that opened nothing again
    again = {entry.says["message"]: entry.seq for entry in entries if entry.says}
    return again | {one: entry.seq for entry in over for one in entry.says.get("queued", ())}


# People


def no_stranger_gets_a_message(record: Record, _: Histories) -> Iterator[str]:
    """A message goes to a phone of its dive, to an admin of its club, or answers a text from that phone."""
    admins = {(admin.club_id, admin.phone) for admin in record.admins}
    numbers = {club.id: club.receiving_number for club in record.clubs}
    wrote = {(text.receiver, digits(text.sender)) for text in record.texts.values() if text.authentic}
    of_dive = {(phone.dive_id, phone.key, phone.phone) for phone in record.phones}
    for message in record.messages.values():
        dive = record.dives.get(message.dive_id or "")
        if dive is not None and dive.club_id != message.club_id:
            yield f"{message.step} of dive {dive.id} is of another club"
        known = (message.dive_id, message.person_key, message.phone) in of_dive
        known = known or ((message.club_id, message.phone) in admins and message.person_key.startswith(("admin", "ph")))
        # Who started a dive with its code is answered, and hears how it ended, and that nobody called rescue after all.
        answered = (numbers.get(message.club_id), digits(message.phone)) in wrote
        known = known or _asked_for(record, message)
        if message.dive_id is None and message.person_key == "log-head" and message.channel == "email":
            continue  # the hash of the log, to the address that the club names
        theirs = message.kind in ("reply", "stand_down") or message.step.startswith("uncalled_party-")
        if not known and not (theirs and answered):
            yield f"{message.phone} got {message.step} of dive {message.dive_id} and does not belong to it"


def _asked_for(record: Record, message: Message) -> bool:
    """Whether the club's desk asked that phone to be a contact, or its owner asked for a code to join with."""
    begins, _, rest = message.step.partition("-")
    if message.dive_id is not None or message.kind != "other":
        return False
    if begins == "ask":
        return any((message.club_id, message.phone) == (one.club_id, one.phone) for one in record.asked if one.asked_at)
    form = rest.partition("-")[0]
    return begins == "join" and any(
        (message.club_id, message.phone) == (one.club_id, one.sent_to) and one.token_hash.startswith(form)
        for one in record.joining
    )


def strangers_are_answered_seldom(record: Record, _: Histories) -> Iterator[str]:
    """Two machines that answer each other come to an end: a phone without a dive gets five answers an hour of a club.

    Twenty where the club knows it, and three more where they are to calls for help: whoever used up theirs still hears
    whom to call.
    """
    of_dives = {phone.phone for phone in record.phones}
    every: dict[tuple[str, str], list[datetime]] = {}
    usual: dict[tuple[str, str], list[datetime]] = {}
    for message in record.messages.values():
        if message.dive_id is None and message.kind == "reply" and message.phone not in of_dives:
            whose = (message.club_id, message.phone)
            every.setdefault(whose, []).append(message.queued_at)
            if not _answers_help(record, message):
                usual.setdefault(whose, []).append(message.queued_at)
    for told, more in ((usual, 0), (every, REPLIES_TO_HELP)):
        for (club, phone), times in told.items():
            known = Person(club, phone) in record.people
            most = more + (REPLIES_TO_PEOPLE if known else REPLIES_TO_STRANGERS)
            for first, beyond in zip(sorted(times), sorted(times)[most:], strict=False):
                if beyond - first < _HOUR - record.set_back:
                    yield f"{phone} has no dive, and got more than {most} answers within an hour"
                    break


def _answers_help(record: Record, message: Message) -> bool:
    """Whether it answers a text for help, or one that was put aside: of strangers only who may be in trouble hear.

    A keeper answers no other of theirs, and the record has what it answered by their number.
    """
    if message.step.startswith(MEANWHILE):
        theirs = [text for text in record.texts.values() if digits(text.sender) == digits(message.phone)]
        return any(text.intent in HELP for text in theirs)
    number = message.step.rpartition("-")[2]
    text = record.texts.get(int(number)) if message.step.startswith("answer-") and number.isdecimal() else None
    return text is not None and (text.intent in HELP or text.state == "quarantined")


# Ends


def no_alarm_is_given_up_while_its_dive_is_open(record: Record, _: Histories) -> Iterator[str]:
    """An alarm has no end of use: it expires as its dive closes or a newer one takes its place, and fails loudly.

    One that was just being handed over as the dive closed expires when it is put down again, while that is closed. That
    rescue was called for an alarm which is over is no news of the next one. Whoever says themselves that it was, or was
    not, is answered, and needs no alarm that says the other.
    """
    spans = {dive.id: list(closed_spans(record, dive)) for dive in record.dives.values()}
    newer = {(one.dive_id, one.person_key, one.channel, one.queued_at) for one in _alarms(record)}
    said = {
        (entry.dive_id, entry.says["by"]["key"], entry.at)
        for kind in ("event:rescue_called", "event:called_taken_back")
        for entry in record.entries_by_kind.get(kind, ())
        if entry.says
    }
    closed = {dive.id for dive in record.dives.values() if dive.phase == "closed"}
    lost = {
        (entry.dive_id, entry.says.get("person"))
        for entry in record.entries_by_kind.get("event:person_unreachable", ())
    }
    for message in _alarms(record):
        if _was_called_before_the_end(message, spans[message.dive_id]):
            continue
        where = f"{message.step} to {message.person_key} of dive {message.dive_id}"
        if message.expires_at is not None:
            yield f"{where} has an end"
        replaced = (message.dive_id, message.person_key, message.channel, message.ended_at) in newer
        replaced |= (message.dive_id, message.person_key, message.ended_at) in said and "called-" in message.step
        if message.state == "expired" and not replaced and not _within(message.ended_at, spans[message.dive_id]):
            yield f"{where} was given up while its dive is open"
        to_contact = message.person_key.startswith("contact-") and message.channel != "email"
        known = (message.dive_id, message.person_key) in lost or message.dive_id in closed
        if message.state == "failed" and to_contact and not known and not message.step.startswith(WITHOUT_EVENT):
            yield f"{where} failed, and its dive does not know that {message.person_key} cannot be reached"


def _was_called_before_the_end(message: Message, spans: list[tuple[datetime, datetime]]) -> bool:
    return message.step.startswith("called-") and any(message.queued_at <= begin for begin, _ in spans)


def _within(at: datetime | None, spans: list[tuple[datetime, datetime]]) -> bool:
    return at is not None and any(begin <= at <= end for begin, end in spans)


def _alarms(record: Record) -> Iterator[Message]:
    return (one for one in record.messages.values() if one.kind in ALARMS and one.dive_id is not None)


def nothing_of_a_step_follows_the_close(record: Record, _: Histories) -> Iterator[str]:
    """After a close nothing of a step is queued, waits, or is begun, until the dive is opened again."""
    for dive in record.dives.values():
        spans = list(closed_spans(record, dive))
        if not spans:
            continue
        known = [(begin + record.commits_within, end) for begin, end in spans]
        ends_and_reopenings = [
            (one.seq, one.event == "closed")
            for one in record.of_dive(dive)
            if one.event == "closed" or one.says.get("reopened")
        ]
        for message in record.messages_of(dive):
            if message.kind not in NEVER_AFTER_CLOSE or _asked_for_after(message, spans):
                continue
            where = f"{message.kind} {message.step} to {message.person_key} of dive {dive.id}"
            attempts = record.attempts_at(message)
            if any(begin < attempt.started_at < end for begin, end in known for attempt in attempts):
                yield f"{where} went out after its close"
            if _was_closed_before(message, ends_and_reopenings, known):
                yield f"{where} was queued after its close"
            if dive.phase == "closed" and message.state in OPEN and not message.in_flight:
                yield f"{where} still waits after its close"


def _was_closed_before(message: Message, turns: list[tuple[int, bool]], spans: list[tuple[datetime, datetime]]) -> bool:
    """Whether the dive was over when this was queued: by the order of the log, or without a cause by the clock."""
    cause = message.cause_seq
    if cause is None:
        return any(begin < message.queued_at < end for begin, end in spans)
    until = [turn for turn in turns if turn[0] <= cause]
    return bool(until) and until[-1][1] and until[-1][0] < cause


def _asked_for_after(message: Message, spans: list[tuple[datetime, datetime]]) -> bool:
    """Whether it is of a keeper without the database, or of a call for help after the end of a dive past reading."""
    return message.step.startswith(MEANWHILE) or (
        message.step.startswith("fault-") and any(begin < message.queued_at < end for begin, end in spans)
    )


def whoever_was_alarmed_was_stood_down(record: Record, folds: Histories) -> Iterator[str]:
    """After the close whoever got an alarm has the stand-down by that way too, or has ended it themselves since."""
    for dive, messages, ends_of_it in _closed(record):
        folded = folds.last(dive)
        declined = {} if folded is None else folded.declined
        for phone, way in sorted({(one.phone, one.channel) for one in messages if _got(record, one)}):
            theirs = [one for one in messages if one.phone == phone]
            alarmed = max(one.queued_at for one in theirs if one.channel == way and _got(record, one))
            # It may be of an earlier end, where the alarm of after it never went to them; a keeper without the database
            # may have told of the end before the database knew it,
            ends = [one for one in theirs if (one.kind, one.channel) == (STAND_DOWN, way)]
            told = [one for one in ends if one.queued_at >= alarmed]
            over = [one for one in theirs if _is_stand_down(one, dive, way)] + told
            # or alarmed about a dive whose end it did not know of.
            late = [one.queued_at for one in theirs if any(_is_keepers(one, kind, one.channel) for kind in ALARMS)]
            over = [one for one in over if not late or one.queued_at >= max(late)]
            keys = {one.person_key for one in theirs}
            since = [*(end for end in ends_of_it if end.at >= alarmed), ends_of_it[-1]]
            ended_it = phone in {end.says["by"]["phone"] for end in since}
            excused = ended_it or keys & record.deaf(dive) or any(not declined.get(key, True) for key in keys)
            if not excused and not any(_reached(record, one) for one in over):
                yield f"{phone} was alarmed about dive {dive.id} by {way} and never heard so that it is over"


def no_alarm_comes_after_its_stand_down(record: Record, _: Histories) -> Iterator[str]:
    """Of an alarm and a stand-down that gateways took for one phone, the stand-down is the last."""
    for dive, messages, _ends in _closed(record):
        spans = list(closed_spans(record, dive))
        for phone, way in sorted({(one.phone, one.channel) for one in messages if _got(record, one)}):
            over = [one for one in messages if one.phone == phone and _is_stand_down(one, dive, way)]
            last = max((taken.number for one in over for taken in record.took.get(one.id, ())), default=None)
            alarms = [one for one in messages if one.phone == phone and one.channel == way and _got(record, one)]
            alarms = [one for one in alarms if not _asked_for_after(one, spans)]
            first = max((taken.number for one in alarms for taken in record.took[one.id]), default=0)
            if last is not None and last < first:
                yield f"{phone} was told that dive {dive.id} is over, and then of an alarm"


def the_stand_down_comes_after_a_notice(record: Record, folds: Histories) -> Iterator[str]:
    """Whoever was told until when to wait, or that nobody has called rescue, and that it is over, has that last."""
    for dive, messages, _ends in _closed(record):
        denials = [one.id for entry, _, after in folds.steps(dive) for one in _denials(record, dive, entry, after)]
        for theirs in by_way(messages):
            over = [one for one in theirs if _is_stand_down(one, dive, one.channel)]
            notices = [one for one in theirs if _is_notice(one) or one.id in denials]
            if has_last(record, notices, over):
                yield f"{theirs[0].phone} was told that dive {dive.id} is over, and then until when to wait, or to call"


def nobody_denies_that_rescue_was_called(record: Record, folds: Histories) -> Iterator[str]:
    """Once it was, no answer of before that says that nobody has is begun; and whoever got both has the news last."""
    for dive in record.dives.values():
        denials: list[Message] = []
        news: list[Message] = []
        called: Entry | None = None
        for entry, _, after in folds.steps(dive):
            denials += _denials(record, dive, entry, after)
            if entry.event == "rescue_called":
                called = called or entry
                news += record.messages_by_cause.get((dive.id, entry.seq), ())
            elif called is not None and after.called_at is None:
                denials, news, called = [], [], None
        if called is None:
            continue
        since = called.at + record.commits_within
        before = [one for one in denials if is_of_before(one, called)]
        for message in before:
            if any(since < attempt.started_at for attempt in record.attempts_at(message)):
                yield f"{message.step} to {message.person_key} of dive {dive.id} went out after rescue was called"
        again = [record.messages[one] for one in followed(record) if one in record.messages]
        news += [one for one in again if one.dive_id == dive.id and one.step.startswith("called-")]
        for theirs in by_way(before + news):
            mine = [one for one in theirs if one in before]
            if dive.phase in ALARMED and has_last(record, mine, [one for one in theirs if one not in before]):
                yield f"{theirs[0].phone} heard that rescue was called of dive {dive.id}, and then that nobody has"


def _denials(record: Record, dive: Dive, entry: Entry, after: Folded) -> list[Message]:
    """What says that nobody has called rescue: news of who answers or is on the spot, and how they are answered."""
    if entry.event not in ANSWERS or after.phase not in ALARMED or after.called_at is not None or after.drill:
        return []
    told = record.messages_by_cause.get((dive.id, entry.seq), ())
    return list(told)


def nothing_calms_during_an_alarm(record: Record, _: Histories) -> Iterator[str]:
    """No notice of before an alarm, and no stand-down of before it was raised again, is begun while it lasts."""
    for dive in record.dives.values():
        for begin, end in _alarm_spans(record, dive):
            since = begin.at + record.commits_within
            for message in record.messages_of(dive):
                late = any(since < attempt.started_at < end for attempt in record.attempts_at(message))
                if late and _calms(message, begin):
                    yield f"{message.step} to {message.person_key} of dive {dive.id} went out during its alarm"


def the_alarm_comes_after_what_calms(record: Record, _: Histories) -> Iterator[str]:
    """While an alarm lasts, whoever has it and something that calms has the alarm last."""
    for dive in record.dives.values():
        spans = list(_alarm_spans(record, dive))
        if dive.phase not in ALARMED or not spans or any(entry.kind == "fault" for entry in record.of_dive(dive)):
            continue
        begin = spans[-1][0]
        for theirs in by_way(record.messages_of(dive)):
            alarms = [one for one in theirs if one.kind in ALARMS and not is_of_before(one, begin)]
            if has_last(record, [one for one in theirs if _calms(one, begin)], alarms):
                yield f"{theirs[0].phone} was alarmed about dive {dive.id}, and then calmed"


def _alarm_spans(record: Record, dive: Dive) -> Iterator[tuple[Entry, datetime]]:
    """From what raised each alarm to the close, or to the end."""
    begin = None
    for entry in record.of_dive(dive):
        raises = entry.event in RAISES or (entry.event == "step_taken" and entry.says.get("step") in RAISING_STEPS)
        if begin is None and raises:
            begin = entry
        elif begin is not None and entry.event == "closed":
            yield begin, entry.at
            begin = None
    if begin is not None:
        yield begin, record.now + timedelta(days=1)


def _is_notice(message: Message) -> bool:
    return message.kind == "start_notice" or message.step.startswith("late_notice-")


def _calms(message: Message, alarm: Entry) -> bool:
    """Whether it is of before the alarm, and says until when to wait, or that all is over."""
    kinds = ("start_notice", STAND_DOWN)
    return message.kind in kinds and not message.step.startswith(MEANWHILE) and is_of_before(message, alarm)


def is_of_before(message: Message, entry: Entry) -> bool:
    """By the order of the log, or without a cause by the clock."""
    if message.cause_seq is None:
        return message.queued_at < entry.at
    return message.cause_seq < entry.seq


def by_way(messages: list[Message]) -> Iterator[list[Message]]:
    """The messages to each phone, by each way."""
    yield from grouped(messages, lambda one: (one.phone, one.channel)).values()


def has_last(record: Record, overtaken: list[Message], holding: list[Message]) -> bool:
    """Whether they got both, and what is overtaken last; what nobody has written down yet may still be followed."""
    took = [max((one.number for one in record.took.get(message.id, ())), default=0) for message in overtaken]
    held = [max((one.number for one in record.took.get(message.id, ())), default=0) for message in holding]
    last = max(zip(took, overtaken, strict=True), key=lambda one: one[0], default=None)
    if last is None or not max(held, default=0) or last[0] < max(held):
        return False
    return last[1].state not in OPEN and not any(one.state in OPEN or one.state == "failed" for one in holding)


def _closed(record: Record) -> Iterator[tuple[Dive, list[Message], list[Entry]]]:
    """Those that are over, and each of their ends."""
    for dive in record.dives.values():
        closes = [entry for entry in record.of_dive(dive) if entry.event == "closed" and entry.says]
        if dive.phase == "closed" and dive.closed_at is not None and closes:
            yield dive, record.messages_of(dive), closes


def _got(record: Record, message: Message) -> bool:
    return message.kind in ALARMS and message.id in record.took


def _is_stand_down(message: Message, dive: Dive, way: str) -> bool:
    """Whether it belongs to this close, by this way."""
    closed_at = dive.closed_at
    after = closed_at is not None and message.queued_at >= closed_at
    return message.kind == STAND_DOWN and after and message.channel == way


def _is_keepers(message: Message, kind: str, way: str) -> bool:
    """Whether a keeper without the database told it, by this way."""
    return message.step.startswith(MEANWHILE) and (message.kind, message.channel) == (kind, way)


def _reached(record: Record, message: Message) -> bool:
    """Taken, on its way for less than the stated delay, or refused for good."""
    on_its_way = message.state in OPEN and record.now - message.queued_at <= DELAY
    return message.id in record.took or on_its_way or (message.state == "failed" and bool(record.attempts_at(message)))


def all_who_hold_a_raise_by_time_are_sent_a_later_one(record: Record, folds: Histories) -> Iterator[str]:
    """Whoever was sent the plan is sent the later raise-by time, and the notice says it."""
    for dive in record.dives.values():
        for entry, before, _ in folds.steps(dive):
            if entry.event != "extension_took_effect":
                continue
            step = f"extension-{entry.says['number']}"
            sent = {one.person_key for one in record.messages_of(dive) if one.step == step and one.channel != "email"}
            for phone in record.phones_by_dive.get(dive.id, ()):
                excused = phone.key in record.deaf(dive) or phone.key in before.declined
                if phone.role == "contact" and phone.key not in sent and not excused:
                    yield f"{phone.key} of dive {dive.id} was not sent {step}"


def nothing_waits_that_could_go(record: Record, _: Histories) -> Iterator[str]:
    """In the calm no message is left behind while the courier carries what is no more urgent, by the same way."""
    began: dict[tuple[str, int], datetime] = {}
    for attempt in record.attempts:
        message = record.messages.get(attempt.message_id)
        if message is not None:
            for priority in range(message.priority + 1):
                key = message.channel, priority
                began[key] = max(began.get(key, attempt.started_at), attempt.started_at)
    for message in record.messages.values():
        since = message.not_before_at
        if message.state == "leased" and message.lease_until_at is not None:
            since = max(since, message.lease_until_at)
        of_use = message.expires_at is None or message.expires_at > record.now
        last = began.get((message.channel, message.priority))
        if message.state in OPEN and of_use and last is not None and last - since > DELAY:
            yield f"{message.kind} {message.step} to {message.person_key} waits since {since}, others went at {last}"
