"""Which dives a text can mean, of those that its sender belongs to: by reference, by their part, by what is asked.

Pure, so that a keeper without a database chooses by the same rules. More than one is asked about: an end is never
guessed, and a word about one dive must not lower what is thought of another.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from service.domain.dive import Phase
from service.domain.dive.events import Outcome
from service.domain.dive.state import ALARMED, EARLIEST_IN, LIVE
from service.domain.grace import Step
from service.domain.people import Role
from service.domain.texts import Intent, Kind
from service.store.dives import Match, PhoneMatch

FOR_CONTACTS = (Kind.OK, Kind.CALLED, Kind.NOT_CALLED, Kind.SAFE, Kind.ON_SCENE, Kind.PACK)
ENDINGS = (Kind.FINISH, Kind.SAFE)


def read_again(intent: Intent, matches: Sequence[Match]) -> Intent:
    """The intent, as only whoever knows its sender can read it.

    What was taken for a reference may be none of theirs and can be a head count: `2x out`. And "on our way" is an OK of
    somebody ashore: who dives, or is about to, may be on the way to the shore, and is quoted as last heard.
    """
    if intent.willing and not _is_ashore(matches):
        return Intent(kind=Kind.UNCLEAR, ref=intent.ref)
    if intent.ref is None or intent.kind not in ENDINGS or intent.count is not None or intent.code is not None:
        return intent
    if not intent.ref.endswith("X") or any(match.reference == intent.ref for match in matches):
        return intent
    return replace(intent, ref=None, count=int(intent.ref[0]))


def run_time_of(intent: Intent) -> timedelta | None:
    """How long a start says that they mean to be in."""
    return None if intent.minutes is None else timedelta(minutes=intent.minutes)


def _is_ashore(matches: Sequence[Match]) -> bool:
    """Whether they have a part ashore, and none in the water."""
    own = [match for match in matches if has_part(match, Role.DIVER) and is_open(match.phase)]
    return not own and any(has_part(match, Role.CONTACT) for match in matches)


def wanted_part(intent: Intent, matches: Sequence[Match]) -> Role | None:
    """What the sender has to be to the dive that they mean; None where it may be anything.

    Who dives, or is about to, and says that they are at the site, does not say that they are there for rescue. Who
    dives, or did lately, and says "we are safe", speaks of their own dive and not of one that they are a contact of.
    """
    if intent.kind is Kind.WHERE:
        return None
    own = [match for match in matches if has_part(match, Role.DIVER)]
    if intent.kind is Kind.ON_SCENE and intent.ref is None and any(is_open(match.phase) for match in own):
        return Role.DIVER
    if is_of_themselves(intent) and own:
        return Role.DIVER
    return Role.CONTACT if intent.kind in FOR_CONTACTS else Role.DIVER


def is_of_themselves(intent: Intent) -> bool:
    """Whether they say that they are safe themselves, and name no dive."""
    return intent.kind is Kind.SAFE and intent.own is True and intent.ref is None


def meant_by(intent: Intent, matches: Sequence[Match], wanted: Role | None) -> list[Match]:
    """The dives that a text can mean: by its reference, by the sender's part in them, by what it asks."""
    if intent.ref is not None:
        return _named(matches, intent.ref)
    if intent.kind is Kind.SAFE and wanted is Role.CONTACT:
        return _safe_ones(matches)
    in_part = [match for match in matches if has_part(match, wanted)] or list(matches)
    if intent.kind in _ANSWERS and wanted is Role.CONTACT:
        called = _called_ones(in_part) if intent.kind is Kind.NOT_CALLED else []
        return called or _answered_ones(in_part)
    if intent.kind in (Kind.START, Kind.CALL_OFF):
        in_part = but_exercises(in_part) or in_part  # an exercise was started as it was filed
        fitting = [match for match in in_part if _is_filed(match.phase) or _is_assumed(match)]
        runs = [match for match in in_part if is_live(match.phase) and not _is_assumed(match)]
        # A second IN is no start of the next plan. What cannot be read keeps nobody from starting: the safe side.
        blocks = intent.kind is Kind.START and any(isinstance(match, PhoneMatch) for match in runs)
        return (runs if blocks else fitting or runs) or in_part[:1]
    for suits in _SUITS.get(intent.kind, (is_live, is_open)):
        fitting = [match for match in in_part if suits(match.phase)]
        if fitting:
            return fitting
    return in_part[:1]


def _named(matches: Sequence[Match], ref: str) -> list[Match]:
    """The dive of that reference. Of an admin there may be several open ones: then those that they have heard of."""
    named = [match for match in matches if match.reference == ref]
    still_open = [match for match in named if is_open(match.phase)]
    return _known(still_open) if len(still_open) > 1 else still_open or named[:1]


def is_exercise(match: Match) -> bool:
    """Whether it is a drill, as far as can be read: what cannot may be real."""
    return isinstance(match, PhoneMatch) and match.dive.drill


def but_exercises(matches: Sequence[Match]) -> list[Match]:
    """Those in which somebody may be in the water."""
    return [match for match in matches if not is_exercise(match)]


# Words from ashore


_ANSWERS = (Kind.OK, Kind.CALLED, Kind.NOT_CALLED, Kind.ON_SCENE)


def must_be_named(intent: Intent, meant: Sequence[Match]) -> bool:
    """Whether the text has to say which dive it is about, though it could mean only one.

    Of an admin who would answer an alarm that never went to them: it may be another that they mean. Of somebody ashore
    who would start a dive in which they have no part: they may go in themselves, by a plan that is not here.
    """
    if intent.ref is not None:
        return False
    if intent.kind is Kind.START:
        waits = [match for match in meant if _is_filed(match.phase) or _is_assumed(match)]
        return bool(waits) and not any(has_part(match, Role.DIVER) for match in waits)
    answers = intent.kind in (*_ANSWERS, Kind.SAFE)
    return answers and any(_is_only_admin(match) and not _was_told(match) for match in meant)


def _safe_ones(matches: Sequence[Match]) -> list[Match]:
    """Every live dive that SAFE may be about, the sender's own among them.

    One alone where only that one has alerted the sender, and all others are quiet and none of theirs.
    """
    known = _known([match for match in matches if is_live(match.phase)])
    told = [match for match in known if _was_told(match)]
    # A second one that has alerted them is not quiet.
    if _is_sure(told) and all(_is_quiet(match) for match in known if match is not told[0]):
        return told
    return known or [match for match in matches if is_open(match.phase)] or list(matches[:1])


def _answered_ones(in_part: Sequence[Match]) -> list[Match]:
    """The alarms that have gone to the sender; without one, an alarm beside another live dive is asked about."""
    known = _known(in_part)
    told = [match for match in known if _was_told(match)]
    live = [match for match in known if is_live(match.phase)]
    return (told if _is_sure(told) else live) or [match for match in known if is_open(match.phase)] or known[:1]


def _called_ones(in_part: Sequence[Match]) -> list[Match]:
    """Those of which somebody's word stands that rescue was called: the sender's own, else anybody's."""
    live = [match for match in in_part if is_live(match.phase)]
    called = [match for match in live if not isinstance(match, PhoneMatch) or match.dive.rescue_calls]
    own = [match for match in called if not isinstance(match, PhoneMatch) or _said_called(match)]
    return next((found for found in (own, called) if _is_sure(found)), [])


def _said_called(match: PhoneMatch) -> bool:
    return any(call.by.own_key in match.keys for call in match.dive.rescue_calls)


def _known(matches: Sequence[Match]) -> list[Match]:
    """Those that the sender has heard of: of an alarm that was not handed up an admin may know nothing."""
    known = [match for match in matches if not _is_only_admin(match) or _was_told(match)]
    return known if _is_sure(known) else list(matches)


def _is_sure(told: Sequence[Match]) -> bool:
    """Whether one of them can be read, so that we know that it was told."""
    return any(isinstance(match, PhoneMatch) for match in told)


def _is_only_admin(match: Match) -> bool:
    return all(key.startswith(Role.ADMIN) for key in match.keys)


def _was_told(match: Match) -> bool:
    """Whether the alarm of this dive, which is up, has gone to the sender: as to a contact, or handed up to them.

    Of one that cannot be read that is taken to be so: then it is asked about, or our fault is told.
    """
    if not isinstance(match, PhoneMatch) or not match.dive.alarmed:
        return match.phase in ALARMED
    handed_up = Step.HAND_UP in match.dive.steps and any(key.startswith(Role.ADMIN) for key in match.keys)
    return handed_up or any(key in match.dive.alerted_keys() for key in match.keys)


def _is_quiet(match: Match) -> bool:
    """Whether nobody ashore has any reason yet to say that those of this dive are safe."""
    if not isinstance(match, PhoneMatch) or has_part(match, Role.DIVER):
        return False
    return match.dive.phase is Phase.IN_WATER and match.dive.partly_out is None


def has_part(match: Match, wanted: Role | None) -> bool:
    """Whether the sender is that to the dive; an admin is somebody ashore, as a contact is."""
    parts = (Role.CONTACT, Role.ADMIN) if wanted is Role.CONTACT else (wanted or "",)
    return any(key.startswith(parts) for key in match.keys)


def is_live(phase: str) -> bool:
    """Whether the clock of a dive in that phase runs."""
    return phase in LIVE


def is_open(phase: str) -> bool:
    """Whether a dive in that phase is not over."""
    return phase != Phase.CLOSED


def _is_closed(phase: str) -> bool:
    return phase == Phase.CLOSED


def _is_filed(phase: str) -> bool:
    return phase == Phase.FILED


def _is_assumed(match: Match) -> bool:
    """Whether its clock runs by the plan alone: then it may be started by word still, or called off."""
    if not isinstance(match, PhoneMatch):
        return False
    return match.dive.live and match.dive.assumed and not match.dive.start_said


def _is_alarmed(phase: str) -> bool:
    return phase in ALARMED


_SUITS: dict[Kind, tuple[Callable[[str], bool], ...]] = {
    Kind.WHERE: (_is_alarmed, is_live, is_open),
    Kind.PACK: (_is_alarmed, is_live, _is_closed, is_open),
}


# An end that nobody waits for


def not_begun(intent: Intent, meant: Sequence[Match]) -> PhoneMatch | None:
    """The one plan that words of an end would close before its start, where they do not name it."""
    only = _only(meant) if intent.kind in ENDINGS and intent.ref is None else None
    if only is None or only.dive.phase is not Phase.FILED:
        return None
    return only if has_part(only, Role.DIVER) or intent.kind is Kind.SAFE else None


def not_asked_for(intent: Intent, meant: Sequence[Match]) -> PhoneMatch | None:
    """The one running dive that SAFE of its contact would close, where no alarm of it has gone to them yet."""
    only = _only(meant) if intent.kind is Kind.SAFE and intent.ref is None else None
    if only is None or not only.dive.live or has_part(only, Role.DIVER):
        return None
    return None if _was_told(only) else only


_CAME_OUT = (Outcome.SURFACED, Outcome.STOOD_DOWN)


def out_too_soon(intent: Intent, matches: Sequence[Match], meant: Sequence[Match], at: datetime) -> PhoneMatch | None:
    """The dive of the sender that is over, where OUT may be about it and would end the one that has hardly begun.

    A carrier may keep a text and say nothing of it. Who got no answer says OUT again, and goes in once more: then the
    first OUT comes. Nobody would miss them. It may be so for the first half of the run time; an end as soon as that,
    of a second dive, is asked about once.
    """
    if _hardly_begun(intent, meant, at) is None:
        return None
    over = over_lately([match for match in matches if has_part(match, Role.DIVER)], at)
    return over if over is not None and over.dive.outcome in _CAME_OUT and not over.dive.drill else None


def begun_unheard(intent: Intent, matches: Sequence[Match], meant: Sequence[Match], at: datetime) -> list[PhoneMatch]:
    """The plans of the sender of which OUT may be as well, where it would end the dive that has hardly begun.

    Who leads two groups with one phone may have told us of the second IN, and we never heard: their OUT would then end
    the dive of those who are still in.
    """
    if _hardly_begun(intent, meant, at) is None:
        return []
    own = [match for match in but_exercises(matches) if isinstance(match, PhoneMatch) and has_part(match, Role.DIVER)]
    return [match for match in own if match.dive.phase is Phase.FILED and _from_time_in(match, at) <= _ABOUT_AS_NEAR]


def _hardly_begun(intent: Intent, meant: Sequence[Match], at: datetime) -> PhoneMatch | None:
    """The dive that a bare OUT would end before half of its run time, though no alarm asks for an end."""
    bare = intent.kind is Kind.FINISH and intent.ref is None and intent.code is None
    only = _only(meant) if bare else None
    if only is None or not only.dive.live or only.dive.started_at is None:
        return None
    if only.dive.alarm_at is not None and only.dive.alarm_at <= at:
        return None  # what lay somewhere from before the alarm answers none
    run_time = (only.dive.first_due_out_at or only.dive.started_at) - only.dive.started_at
    return only if only.dive.started_at <= at < only.dive.started_at + run_time / 2 else None


ANSWERED_LATE = timedelta(minutes=10)
"""So long after its end an alarm may still be answered: texts cross, and people read on."""


def crossed(intent: Intent, matches: Sequence[Match], meant: Sequence[Match], at: datetime) -> PhoneMatch | None:
    """What ended just now and may be what an answer without a reference is about, which would answer another alarm.

    An exercise ends in the very second in which a real alarm comes to its people: what they say to it must neither end
    that alarm nor take it. As little does what somebody says to the one of two alarms that was just stood down.
    """
    answers = intent.kind in (*_ANSWERS, Kind.SAFE) and intent.ref is None and not is_of_themselves(intent)
    only = _only(meant) if answers else None
    if only is None or not (only.dive.alarmed or (only.dive.live and intent.kind is Kind.SAFE)):
        return None
    over = [one for one in matches if isinstance(one, PhoneMatch) and _ended_just(one, at) and _asked_for_answers(one)]
    return max(over, key=lambda one: one.dive.closed_at or at, default=None)


def _ended_just(match: PhoneMatch, at: datetime) -> bool:
    return match.dive.closed_at is not None and at - match.dive.closed_at < ANSWERED_LATE


def _asked_for_answers(match: PhoneMatch) -> bool:
    """Whether its alarm went to the sender. Of an exercise each text may be answered: that is what it is for."""
    return match.dive.drill or any(key in match.dive.alerted_keys() for key in match.keys)


def _only(meant: Sequence[Match]) -> PhoneMatch | None:
    return meant[0] if len(meant) == 1 and isinstance(meant[0], PhoneMatch) else None


def over_lately(matches: Sequence[Match], at: datetime) -> PhoneMatch | None:
    """The dive of the sender that ended last, where that is so short a time ago that words may be about it."""
    lately = [match for match in matches if isinstance(match, PhoneMatch) and match.dive.ended_lately(at)]
    return max(lately, key=lambda match: match.dive.closed_at or at, default=None)


def is_far_off(match: PhoneMatch, at: datetime) -> bool:
    """Whether nobody goes in as early as this by that plan."""
    time_in_at = match.dive.plan.time_in_at
    return time_in_at is not None and time_in_at - at > EARLIEST_IN


# A call for help that names no dive


_ABOUT_AS_NEAR = timedelta(hours=1)


def meant_by_help(matches: Sequence[Match], at: datetime, *, running: bool = False) -> list[Match]:
    """Every dive whose clock runs, or, unless it has to be `running`, what the call is about by the time.

    Nobody goes out for what is marked EXERCISE, and who plays a part in one may need help: it is meant only where
    nothing real can be. A plan for another day is none that its player can be on.
    """
    real = but_exercises(matches)
    live = [match for match in real if is_live(match.phase)]
    played = [match for match in matches if is_exercise(match) and is_live(match.phase)]
    if live or running:
        return live or played
    near = unnamed_for_help(real, at)
    if played:
        near = [match for match in near if match.dive.phase is Phase.CLOSED or _from_time_in(match, at) <= EARLIEST_IN]
    return [*near] or played


def unnamed_for_help(matches: Sequence[Match], at: datetime) -> list[PhoneMatch]:
    """The dives that a call for help is about where none runs and none is named: by time, and in doubt more than one.

    What ended last, and what may begin about now; a plan for another day only where there is nothing else.
    """
    parts = [[match for match in matches if has_part(match, part)] for part in (Role.DIVER, Role.CONTACT)]
    ended = [over for in_part in parts if (over := over_lately(in_part, at)) is not None]
    plans = [match for match in matches if isinstance(match, PhoneMatch) and match.dive.phase is Phase.FILED]
    own = [match for match in plans if has_part(match, Role.DIVER) and _from_time_in(match, at) <= EARLIEST_IN]
    plans = own or plans  # who is about to go in themselves means no plan that they only watch
    nearest = min((_from_time_in(match, at) for match in plans), default=timedelta())
    within = min((at - (over.dive.closed_at or at) for over in ended), default=nearest + _ABOUT_AS_NEAR)
    likely = [*ended, *(match for match in plans if _from_time_in(match, at) <= within)]
    return list({match.dive.id: match for match in likely}.values())


def _from_time_in(match: PhoneMatch, at: datetime) -> timedelta:
    """How far off the time in of a plan is; one that is started by IN may be meant at any time."""
    time_in_at = match.dive.plan.time_in_at
    return timedelta() if time_in_at is None else abs(time_in_at - at)
