"""What a text does: whose dive it means, what it asks, and what its sender is answered."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import timedelta

from service.domain import codes
from service.domain.dive import Command, Dive, Phase
from service.domain.dive import commands as do
from service.domain.dive.refusals import SAY_HOW_IT_STANDS, TOO_LONG_OVER
from service.domain.people import Actor, Role
from service.domain.place.position import Position, PositionError
from service.domain.place.reading import read_position
from service.domain.texts import Intent, Kind
from service.domain.wording import general, placing
from service.operations.addressing import (
    Answer,
    PackFor,
    Text,
    ask_which,
    at_site,
    instead,
    keys_of,
    language_of_sender,
    matches_of,
    sender_of,
    without_dive,
)
from service.operations.belated import not_belated
from service.operations.choosing import (
    but_exercises,
    has_part,
    meant_by,
    meant_by_help,
    must_be_named,
    read_again,
    run_time_of,
    wanted_part,
)
from service.operations.consenting import say_by_text
from service.operations.joining import is_join_code, join_by_text
from service.operations.opting import opt_in_by_text, opt_out_by_text
from service.operations.other_clubs import directed, live_elsewhere
from service.operations.plainest import raise_within
from service.operations.planning_by_text import file_by_text
from service.operations.recording import apply
from service.operations.starting_by_text import plan_not_whole, start_by_text, start_not_whole, with_plan_left
from service.store import dives, inbound, opt_outs, reaches
from service.store.dives import Match, PhoneMatch, Unreadable

WRONG_CODES_MAX = 5
WRONG_CODES_WITHIN = timedelta(hours=1)


def answer(text: Text) -> Answer:
    """Do what a text asks. A finish is never guessed; where several dives could be meant, nothing is done."""
    answered = _answer_any(text)
    if not text.by_us:
        # Last: whoever locks a dive and this locks the dive first.
        reaches.note_word(text.session, text.club.id, text.phone, text.now)
    return answered


def _answer_any(text: Text) -> Answer:
    """Raises UnreadableDive, after which all is taken back and the text is answered anew with that dive as `broken`."""
    found = matches_of(text)
    unreadable = tuple(match for match in found if isinstance(match, Unreadable))
    text = replace(text, unreadable=unreadable, language=language_of_sender(text, found))
    if text.broken is not None:
        return _unreadable(text, [text.broken])
    answered = _answer(text, [match for match in found if isinstance(match, PhoneMatch)])
    return replace(answered, has_dive=any(match.phase != Phase.CLOSED for match in found))


def _unreadable(text: Text, dive_ids: Sequence[str], *, others: bool = False) -> Answer:
    """The sender's dive cannot be read: its contacts hear of trouble all the same, and the sender what to do.

    `others`: the text has raised the alarm for dives of the sender that can be read.
    """
    told = False
    if text.intent.kind in (Kind.RAISE_NOW, Kind.WORRY):
        asked = [raise_within(text.service, text.session, dive_id, text.now, even_closed=True) for dive_id in dive_ids]
        told = any(asked)
    club, language = text.club, text.language
    words = general.unreadable(club.name, club.rescue_call, told=told, others=others, language=language)
    return Answer(words, dive_ids[0], note="the dive cannot be read", has_dive=True)


# Whoever answers the alarm has it: told first that they can be reached, they would get it once more.
_ANSWERS_THE_ALARM = (Kind.OK, Kind.CALLED, Kind.NOT_CALLED, Kind.SAFE)


def _answer(text: Text, matches: Sequence[PhoneMatch]) -> Answer:
    if text.intent.kind in _ANSWERS_THE_ALARM:
        answered = _answered(text, matches)
        _heard_from(text, matches)
        return answered
    _heard_from(text, matches)
    return _answered(text, matches)


def _answered(text: Text, matches: Sequence[PhoneMatch]) -> Answer:
    by_kind = _BY_KIND.get(text.intent.kind)
    if by_kind is not None:
        return by_kind(text, matches)
    if text.intent.code is not None:
        return join_by_text(text) if _joins(text) else _by_code(text, matches)
    return _by_phone(text, matches)


def _heard_from(text: Text, matches: Sequence[PhoneMatch]) -> None:
    """Whoever writes can be reached after all, unless they write to be left alone. What we put in proves nothing."""
    if text.by_us or text.intent.kind in (Kind.OPT_OUT, Kind.DECLINE):
        return
    for match in matches:
        for key in match.keys:
            fails = key in match.dive.unreachable or any(way.key == key for way in match.dive.lost)
            if fails and not _opted_out(text):
                apply(text.service, text.session, match.dive.id, do.NoteReachable(person=key), text.now)


def _opted_out(text: Text) -> bool:
    return opt_outs.is_opted_out(text.session, text.club.receiving_number, text.phone)


def _joins(text: Text) -> bool:
    """A bare code of that shape is no dive's, so it takes no try from a diver."""
    return text.intent.kind is Kind.CODE and is_join_code(text.intent.code or "")


# By code: any phone may use one


# With any other kind a code only says which dive is meant: "LATE 20" and the finish code is no finish.
_CODE_ACTS = (Kind.START, Kind.FINISH, Kind.CODE)


def _by_code(text: Text, matches: Sequence[PhoneMatch]) -> Answer:
    session, number, now = text.session, text.club.receiving_number, text.now
    name = text.club.name
    if inbound.wrong_codes_since(session, number, text.phone, now - WRONG_CODES_WITHIN) >= WRONG_CODES_MAX:
        return Answer(general.codes_locked(name, text.language), note="codes locked")
    code = text.intent.code or ""
    found = dives.by_code(session, number, code) if codes.is_valid(code) else None
    if found is None:
        inbound.note_wrong_code(session, number, text.phone, now)
        wrong = inbound.wrong_codes_since(session, number, text.phone, now - WRONG_CODES_WITHIN)
        words = (
            general.codes_locked(name, text.language)
            if wrong >= WRONG_CODES_MAX
            else general.no_such_code(name, text.language)
        )
        return directed(text, Answer(words, note="wrong code"))
    wanted = {Kind.START: "start", Kind.FINISH: "finish"}.get(text.intent.kind, found.kind)
    dive = dives.get(session, found.dive_id)
    if dive is None or wanted != found.kind:
        return Answer(
            general.other_code(name, found.kind, text.language), found.dive_id, note="the other code of that dive"
        )
    by = sender_of(text, dive, keys_of(text, dive), wanted_part(text.intent, ()))
    if text.intent.kind not in _CODE_ACTS:
        return _do(text, dive, by)
    if found.kind == "start":
        where, near_m = _place(text.intent, dive)[0], text.intent.accuracy_m
        start = do.Start(by, text.intent.count, where, text.said_at, near_m, run_time_of(text.intent))
        return with_plan_left(text, matches, dive, _ask(text, dive, start))
    return _ask(text, dive, do.Finish(by, text.intent.count, with_code=True, of=text.intent.of))


# By phone: whose dives does it belong to


def _by_phone(text: Text, matches: Sequence[PhoneMatch]) -> Answer:
    if text.intent.kind is Kind.START and (begun := start_by_text(text, matches)) is not None:
        return begun
    # What cannot be read may be what is meant: a finish is not guessed to be of the other dive.
    among: list[Match] = [*matches, *text.unreadable]
    text = replace(text, intent=read_again(text.intent, among))
    if (answered := start_not_whole(text, among)) is not None:
        return directed(text, answered)
    wanted = wanted_part(text.intent, among)
    meant = at_site(text, meant_by(text.intent, among, wanted))
    if not meant:
        return directed(text, plan_not_whole(text) if text.intent.near is Kind.PLAN else without_dive(text, among))
    asked = instead(text, among, meant)
    if asked is None and (len(meant) > 1 or must_be_named(text.intent, meant)):
        asked = Answer(ask_which(text, meant), note="several dives")
    if asked is not None:
        _keep_words(text, meant)
        return asked
    match = meant[0]
    if isinstance(match, Unreadable):
        return _unreadable(text, [match.dive_id])
    answered = _do(text, match.dive, sender_of(text, match.dive, match.keys, wanted))
    return with_plan_left(text, matches, match.dive, answered)


_QUESTIONS = (Kind.STATUS, Kind.WHERE, Kind.PACK)


def _keep_words(text: Text, meant: Sequence[Match]) -> None:
    """What is asked about is the last that was heard of each running dive of the sender that it may mean.

    Whoever is looked for had a phone in the hand then. It does nothing else, and all who read it are told so.
    """
    own = [match for match in meant if isinstance(match, PhoneMatch) and has_part(match, Role.DIVER)]
    for match in own:
        if match.dive.live and text.intent.kind not in _QUESTIONS:
            by = sender_of(text, match.dive, match.keys, Role.DIVER)
            _ask(text, match.dive, do.Hear(by, text.words, answer=False, asked_which=True))


def _do(text: Text, dive: Dive, by: Actor) -> Answer:
    if text.intent.kind is Kind.STATUS:
        return Answer(general.status(dive, by, text.now), dive.id, standing=True)
    if text.intent.kind is Kind.WHERE:
        return Answer(placing.where_they_are(dive, text.now, text.language), dive.id)
    if text.intent.kind is Kind.PACK:
        return _pack(dive, by, text.language)
    return _ask(text, dive, _command(text, dive, by))


def _pack(dive: Dive, by: Actor, language: str) -> Answer:
    """The link goes behind the words when they are queued, so that the log never has it."""
    if by.role not in (Role.CONTACT, Role.ADMIN) or by.key is None:
        return Answer(placing.pack_is_for_contacts(dive, language), dive.id, note="pack refused")
    if dive.phase is Phase.FILED:
        return Answer(placing.no_pack(dive, language), dive.id, note="pack before the start")
    return Answer(placing.pack_words(dive, language), dive.id, pack_for=PackFor(dive, by.key))


def _place(intent: Intent, dive: Dive) -> tuple[Position | None, str | None]:
    """Where the sender says that they are, and what is wrong with it; a short code is looked for near the site."""
    if intent.position is not None:
        return Position(*intent.position), None
    if intent.short_code is None:
        return None, intent.trouble
    try:
        return read_position(intent.short_code, dive.plan.site.entry), None
    except PositionError as error:
        return None, str(error)


def _command(text: Text, dive: Dive, by: Actor) -> Command:
    """The command that a text is, from somebody who belongs to the dive."""
    intent = text.intent
    position, trouble = _place(intent, dive)
    if intent.kind is Kind.POSITION and position is not None:
        return do.ReportFix(by, position, intent.accuracy_m, fix_at=text.said_at)
    if intent.kind is Kind.ON_SCENE and by.role is not Role.DIVER:
        return do.ReportOnScene(by)
    commands: dict[Kind, Command] = {
        Kind.START: do.Start(by, intent.count, position, text.said_at, intent.accuracy_m, run_time_of(intent)),
        Kind.FINISH: do.Finish(by, intent.count, of=intent.of),
        Kind.LATE: do.Extend(by, intent.minutes, intent.until),
        Kind.CALL_OFF: do.CallOff(by),
        Kind.OK: do.Acknowledge(by),
        Kind.CALLED: do.ReportCalled(by, intent.reference),
        Kind.NOT_CALLED: do.TakeBackCalled(by, own=bool(intent.own)),
        Kind.SAFE: do.ReportSafe(by, intent.count, of=intent.of),
    }
    # Both are a form, and yet not understood: from this sender, or near this site.
    near = intent.kind if intent.kind in (Kind.POSITION, Kind.ON_SCENE) else intent.near
    return commands.get(intent.kind) or do.Hear(by, text.words, near, trouble, text.answer_unclear)


def _ask(text: Text, dive: Dive, command: Command) -> Answer:
    locked = dives.lock(text.session, dive.id)
    if locked is not None:
        command = not_belated(text, locked, command)
    applied = apply(text.service, text.session, dive.id, command, text.now)
    if applied is None or applied.refusal is None:
        return Answer(dive_id=dive.id)
    words, code = general.refused(applied.dive, applied.refusal, text.language), applied.refusal.code
    return Answer(words, dive.id, note=code, standing=code in SAY_HOW_IT_STANDS)


# Kinds with a way of their own


def _raise(text: Text, matches: Sequence[PhoneMatch]) -> Answer:
    """SOS is believed from anybody who belongs to a dive: every live one of theirs, else what it is about by the time.

    Of those that cannot be read every open one may be meant as well. A dive that is named and has been over for too
    long to be raised shuts out no other. An exercise is raised where it is named, or where nothing real can be meant.
    """
    among: list[Match] = [*matches, *text.unreadable]
    of_name = [match for match in among if match.reference == text.intent.ref] or _of_code(text)
    named = [match for match in of_name if isinstance(match, Unreadable) or _can_be_raised(text, match.dive)]
    live = named or meant_by_help(among, text.now, running=True)
    if not named and not but_exercises(live) and (elsewhere := live_elsewhere(text)):
        return _raise_elsewhere(text, elsewhere, _note(text))
    if text.intent.reserved and not live and not _open_unreadable(text):
        return Answer(general.how_it_works(text.club.name, text.language))
    unnamed = live if text.intent.reserved else []
    chosen = named or unnamed or meant_by_help(among, text.meant_at) or of_name or but_exercises(among)[:1]
    if not chosen:
        return Answer(note="SOS with no dive", unheard=True)
    faulty = [match.dive_id for match in chosen if isinstance(match, Unreadable)]
    faulty += [] if named else [one for one in _open_unreadable(text) if one not in faulty]
    answers = [_raise_one(text, match) for match in chosen if isinstance(match, PhoneMatch)]
    if faulty:
        return _unreadable(text, faulty, others=bool(answers))
    return replace(answers[0], unheard=all(one.note == TOO_LONG_OVER for one in answers))


def _raise_elsewhere(text: Text, matches: Sequence[PhoneMatch], note: str | None, *, worry: bool = False) -> Answer:
    """For dives of other clubs, to whose people it is told as ever; the text itself stays with the club it came to."""
    for match in matches:
        _ask(text, match.dive, do.RaiseNow(sender_of(text, match.dive, match.keys, Role.DIVER), note, worry=worry))
    return Answer(note="a call for help of another club")


def _can_be_raised(text: Text, dive: Dive) -> bool:
    return dive.phase is not Phase.CLOSED or dive.can_reopen(text.meant_at)


def _open_unreadable(text: Text) -> list[str]:
    return [match.dive_id for match in text.unreadable if match.phase != Phase.CLOSED]


def _of_code(text: Text) -> list[Match]:
    """An SOS from a borrowed phone may name its dive by a code; a wrong one holds nothing up."""
    code = text.intent.code or ""
    found = dives.by_code(text.session, text.club.receiving_number, code) if codes.is_valid(code) else None
    dive = dives.get(text.session, found.dive_id) if found else None
    return [] if dive is None else [PhoneMatch(dive, keys_of(text, dive))]


def _raise_one(text: Text, match: PhoneMatch) -> Answer:
    """The alarm first; a position that came with it follows, so that nothing about it can hold the alarm up."""
    by = sender_of(text, match.dive, match.keys, Role.DIVER)
    raised = _ask(text, match.dive, do.RaiseNow(by, _note(text)))
    position, _ = _place(text.intent, match.dive)
    if position is not None:
        _ask(text, match.dive, do.ReportFix(by, position, text.intent.accuracy_m, fix_at=text.said_at))
    return raised


def _note(text: Text) -> str | None:
    return text.intent.note or (text.words.strip() or None)


def _worry(text: Text, matches: Sequence[PhoneMatch]) -> Answer:
    """Words of trouble from a phone with a live dive raise the alarm; of others the club's admins hear."""
    live = [match for match in meant_by_help(matches, text.now, running=True) if isinstance(match, PhoneMatch)]
    if not but_exercises(live) and (elsewhere := live_elsewhere(text)):
        return _raise_elsewhere(text, elsewhere, text.words.strip(), worry=True)
    faulty = _open_unreadable(text) or ([] if matches else [match.dive_id for match in text.unreadable])
    if not live and not faulty:
        # Kept with the dive that it may be about; what it is answered says who hears of it.
        unclear = replace(text, intent=replace(text.intent, kind=Kind.UNCLEAR), answer_unclear=False)
        kept = _by_phone(unclear, matches) if matches else Answer()
        return replace(kept, words=None, note="worry with no dive", unheard=True)
    answers = [
        _ask(
            text,
            match.dive,
            do.RaiseNow(sender_of(text, match.dive, match.keys, Role.DIVER), text.words.strip(), worry=True),
        )
        for match in live
    ]
    return _unreadable(text, faulty, others=bool(answers)) if faulty else answers[0]


def _info(text: Text, _: Sequence[PhoneMatch]) -> Answer:
    return Answer(general.how_it_works(text.club.name, text.language))


def _plan(text: Text, matches: Sequence[PhoneMatch]) -> Answer:
    words, dive_id = file_by_text(
        text.service,
        text.session,
        text.club,
        text.phone,
        text.intent,
        text.words,
        text.now,
        said_at=text.meant_at,
        before=matches,
    )
    return Answer(words, dive_id, note="plan by text")


_BY_KIND: dict[Kind, Callable[[Text, Sequence[PhoneMatch]], Answer]] = {
    Kind.RAISE_NOW: _raise,
    Kind.WORRY: _worry,
    Kind.OPT_OUT: opt_out_by_text,
    Kind.OPT_IN: opt_in_by_text,
    Kind.AGREE: say_by_text,
    Kind.DECLINE: say_by_text,
    Kind.INFO: _info,
    Kind.PLAN: _plan,
}
