"""What a keeper told upon a call for help while the database was gone: the record has it, and nothing older ends it.

And where no dive is there to be called for, who calls is answered all the same, and their club's admins hear of it:
by a keeper, or by the database.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from tests.checker.folding import Histories
from tests.checker.questions_messages import ALARMED, MEANWHILE, STAND_DOWN
from tests.checker.reading import Admin, Dive, Message, Record, Text, digits, grouped, instant_of

CALLS = "-raised-"
UNHEARD = "-answer-help-"  # to whoever calls for help, where a keeper knows of no dive
ADMINS = "-admins-help-"
HELP = ("raise_now", "worry")
NOBODYS = "with no dive"  # what is noted of such a text
BY_A_KEEPER = "answered in the outage"
TOLD_WITHIN = timedelta(minutes=5)  # a sender may be slow
TOO_MANY = "enough of strangers"
STRANGERS_AN_HOUR = 6  # of which a club's admins hear
HOUR = timedelta(hours=1)  # in which they may have heard of the same phone before
REST_WITHIN = timedelta(minutes=1)  # in which the rest of it comes, or the same once more


def a_call_for_help_is_ended_by_what_came_after_it(record: Record, _: Histories) -> Iterator[str]:
    """Whoever heard it from a keeper hears that it is over only upon an end of after it."""
    for dive, alarm in _heard_calls(record):
        closes = [entry.at for entry in record.of_dive(dive) if entry.event == "closed"]
        for message in record.messages_of(dive):
            to_them = (message.phone, message.channel) == (alarm.phone, alarm.channel)
            after = message.queued_at >= alarm.queued_at and message.id in record.took
            if message.kind != STAND_DOWN or message.step.startswith(MEANWHILE) or not (to_them and after):
                continue
            ended = any(alarm.queued_at <= at <= message.queued_at for at in closes)
            if not ended and not _was_ended_meanwhile(record, dive, alarm):
                yield f"{message.step} to {message.phone} of dive {dive.id} came of no end after {alarm.step}"


def no_end_of_before_follows_a_call(record: Record, _: Histories) -> Iterator[str]:
    """Once a keeper has opened a dive again, nothing that it said of an end before that goes out any more."""
    for message in record.messages.values():
        if message.kind != "alert" or not message.step.startswith(MEANWHILE) or CALLS not in message.step:
            continue
        outage = message.step.partition(CALLS)[0]
        for over in record.messages_of(record.dives[message.dive_id]) if message.dive_id in record.dives else ():
            of_before = over.kind == STAND_DOWN and over.step.startswith(outage) and over.queued_at < message.queued_at
            since = message.queued_at + record.set_back
            if of_before and any(attempt.started_at > since for attempt in record.attempts_at(over)):
                yield f"{over.step} of dive {over.dive_id} went to {over.phone} after {message.step}"


def whom_a_keeper_alarmed_hears_the_end_of_it(record: Record, _: Histories) -> Iterator[str]:
    """Where the last that a keeper told of a dive is its end, minutes before the database was back, so told are all."""
    back_at = {entry.says.get("outage"): entry.at for entry in record.entries_by_kind.get("database_back", ())}
    wrote = {digits(text.sender) for text in record.texts.values()}  # said it themselves, or want no more of it
    for dive in record.dives.values():
        of_keepers = [one for one in record.messages_of(dive) if one.step.startswith(MEANWHILE)]
        for outage, told in grouped(of_keepers, lambda one: one.step.split("-")[1]).items():
            ends = [one for one in told if one.kind == STAND_DOWN]
            alarms = [one for one in told if one.kind in ALARMED and one.id in record.took]
            end_at = max((one.queued_at for one in ends), default=record.now)
            later = any(alarm.queued_at > end_at for alarm in alarms)
            if later or back_at.get(outage, record.now) - end_at < TOLD_WITHIN:
                continue
            for alarm in alarms:
                theirs = [one for one in ends if one.phone == alarm.phone and one.queued_at >= alarm.queued_at]
                over = any(one.id in record.took or one.queued_at == end_at for one in theirs)
                if not over and digits(alarm.phone) not in wrote:
                    yield f"{alarm.step} of dive {dive.id} went to {alarm.phone}, and no end of it from that keeper"


def a_call_for_help_is_in_the_record(record: Record, _: Histories) -> Iterator[str]:
    """A dive about which a keeper told it was raised since, and is not over by an end of before it."""
    for dive, alarm in _heard_calls(record):
        entries = [entry for entry in record.of_dive(dive) if entry.at >= alarm.queued_at]
        raised = any(entry.event == "alarm_raised" for entry in entries)
        over = dive.phase == "closed" and not any(entry.event == "closed" for entry in entries)
        if (over or not raised) and not _was_ended_meanwhile(record, dive, alarm):
            yield f"{alarm.phone} heard {alarm.step} of dive {dive.id}, and the record does not have it"


def whom_a_keeper_told_is_whom_it_told(record: Record, _: Histories) -> Iterator[str]:
    """Whom the dive takes for told of a call by a keeper may have a message of it, made it, or acts already."""
    for dive in record.dives.values():
        acts = {one.says["by"]["key"] for one in record.of_dive(dive) if one.event in ("acknowledged", "rescue_called")}
        for entry in record.of_dive(dive):
            told_at = instant_of(entry.says.get("told_at")) if entry.event == "alarm_raised" else None
            if told_at is None:
                continue
            tried = {
                one.person_key
                for one in record.messages_of(dive)
                if one.step.startswith(MEANWHILE) and one.queued_at == told_at
                if any(attempt.outcome != "refused" for attempt in record.attempts_at(one))
            }
            for key in set(entry.says["told"]) - tried - acts - {entry.says["by"]["key"]}:
                yield f"{key} of dive {dive.id} counts as told of a call at {told_at}, and was not"


def whoever_calls_for_help_is_answered_once(record: Record, _: Histories) -> Iterator[str]:
    """Where no dive takes it up: by the database, or by a keeper in an outage, who tells the club's admins as well."""
    answers = {one.step: one for one in record.messages.values() if one.kind == "reply"}
    told_at = {entry.says.get("message"): entry.at for entry in record.entries_by_kind.get("told_meanwhile", ())}
    for text in record.texts.values():
        if text.state != "answered" or text.intent not in HELP or NOBODYS not in (text.note or ""):
            continue
        note, own, keepers = text.note or "", answers.get(f"answer-help-{text.id}"), _keepers_answers(record, text)
        if BY_A_KEEPER in note and not any(one.id in record.took for one in keepers):
            yield f"text {text.id} counts as answered by a keeper, and no gateway took such an answer"
        if own is None and "not sent" not in note:
            yield f"text {text.id} calls for help, and was not answered"
        known = [one for one in keepers if own and one.handed_at and told_at.get(one.id, record.now) <= own.queued_at]
        if known:
            yield f"text {text.id} was answered again after {known[0].step}"
    for message in record.messages.values():
        _, found, cause = message.step.partition(UNHEARD)
        asked = found and message.step.startswith(MEANWHILE)
        admins = _admins_to_tell(record, message.club_id, message.phone) if asked else []
        if admins and not any(one.step.endswith(f"{ADMINS}{cause}") for one in record.messages.values()):
            yield f"{message.step} went to {message.phone}, and no admin of {message.club_id} was told"


def a_call_for_help_without_a_dive_is_heard_by_the_admins(record: Record, _: Histories) -> Iterator[str]:
    """Every admin of the club who can be told has a message about that phone, or a keeper told one of them.

    Of strangers they hear a few an hour. Whoever no longer is an admin, or ever wanted no texts, is not asked about.
    """
    clubs = {club.receiving_number: club.id for club in record.clubs}
    told = [one for one in record.messages.values() if one.dive_id is None and ADMINS in f"-{one.step}"]
    for text in record.texts.values():
        called = text.state == "answered" and text.intent in HELP and NOBODYS in (text.note or "") and text.sender
        if not called or text.answered_at is None or text.receiver not in clubs:
            continue
        since, until = text.answered_at - HOUR - record.set_back, text.answered_at + record.set_back
        club_id = clubs[text.receiver]
        then = [one for one in told if one.club_id == club_id and since <= one.queued_at <= until]
        about = [one for one in then if not one.body or digits(text.sender) in "".join(filter(str.isdigit, one.body))]
        if any(one.step.startswith(MEANWHILE) and one.id in record.took for one in about):
            continue
        strangers = {one.step for one in then if one.step.startswith(f"{ADMINS[1:]}stranger-")}
        if TOO_MANY in (text.note or "") and len(strangers) >= STRANGERS_AN_HOUR:
            continue
        have = {one.person_key for one in about}
        first = min((one.queued_at for one in about), default=text.answered_at)
        for admin in _admins_to_tell(record, club_id, text.sender):
            if admin.created_at <= first and f"admin-{admin.id}" not in have:
                yield f"text {text.id} calls for help with no dive, and admin {admin.id} was not told"


def _keepers_answers(record: Record, text: Text) -> list[Message]:
    """Those to calls of that phone that came then."""
    since = text.received_at - REST_WITHIN - record.set_back
    own = [one for one in record.messages.values() if one.step.startswith(MEANWHILE) and UNHEARD in one.step]
    return [one for one in own if digits(one.phone) == digits(text.sender) and one.queued_at >= since]


def _admins_to_tell(record: Record, club_id: str, caller: str) -> list[Admin]:
    """The club's admins who have a phone, but for who called and who ever wanted no texts."""
    out = {digits(text.sender) for text in record.texts.values() if text.intent == "opt_out"} | {digits(caller)}
    out |= {digits(str(entry.says.get("phone"))) for entry in record.entries_by_kind.get("opted_out", ())}
    return [
        one
        for one in record.admins
        if one.club_id == club_id and one.disabled_at is None and one.phone and digits(one.phone) not in out
    ]


def _heard_calls(record: Record) -> Iterator[tuple[Dive, Message]]:
    """The alarms that somebody raised, that a keeper told and a gateway took. An exercise is opened by nothing."""
    for message in record.messages.values():
        dive = record.dives.get(message.dive_id or "")
        is_call = message.kind == "alert" and message.step.startswith(MEANWHILE) and CALLS in message.step
        if is_call and dive is not None and not dive.drill and message.id in record.took:
            yield dive, message


def _was_ended_meanwhile(record: Record, dive: Dive, alarm: Message) -> bool:
    """Whether the keeper heard its end as well, and said so."""
    keepers = (one for one in record.messages_of(dive) if one.step.startswith(MEANWHILE) and one.kind == STAND_DOWN)
    return any(one.queued_at >= alarm.queued_at for one in keepers)
