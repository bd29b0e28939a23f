"""Which dives a text can mean, of those that its sender belongs to: by reference, by their part, by what is asked.

Pure, so that a keeper without a database chooses by the same rules. More than one is asked about: an end is never
guessed, and a word about one dive must not lower what is thought of another.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta

from service.domain.dive import Phase
from service.domain.dive.decide import EARLIEST_IN
from service.domain.dive.state import ALARMED, LIVE
from service.domain.people import Role
from service.domain.texts import Intent, Kind
from service.store.dives import Match, PhoneMatch

FOR_CONTACTS = (Kind.OK, Kind.CALLED, Kind.SAFE, Kind.ON_SCENE, Kind.PACK)
ENDINGS = (Kind.FINISH, Kind.SAFE)


def wanted_part(intent: Intent, matches: Sequence[Match]) -> Role | None:
    """What the sender has to be to the dive that they mean; None where it may be anything.

    Who dives, or is about to, and says that they are at the site, does not say that they are there for rescue.
    """
    if intent.kind is Kind.WHERE:
        return None
    diving = any(is_open(match.phase) and has_part(match, Role.DIVER) for match in matches)
    if intent.kind is Kind.ON_SCENE and intent.ref is None and diving:
        return Role.DIVER
    return Role.CONTACT if intent.kind in FOR_CONTACTS else Role.DIVER


def meant_by(intent: Intent, matches: Sequence[Match], wanted: Role | None) -> list[Match]:
    """The dives that a text can mean: by its reference, by the sender's part in them, by what it asks."""
    if intent.ref is not None:
        return [match for match in matches if match.reference == intent.ref][:1]
    in_part = [match for match in matches if has_part(match, wanted)] or list(matches)
    for suits in _SUITS.get(intent.kind, (is_live, is_open)):
        fitting = [match for match in in_part if suits(match.phase)]
        if fitting:
            return fitting
    return in_part[:1]


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


def _is_alarmed(phase: str) -> bool:
    return phase in ALARMED


_SUITS: dict[Kind, tuple[Callable[[str], bool], ...]] = {
    Kind.START: (_is_filed, is_live),
    Kind.CALL_OFF: (_is_filed, is_live),
    Kind.OK: (_is_alarmed, is_live, is_open),
    Kind.CALLED: (_is_alarmed, is_live, is_open),
    Kind.SAFE: (_is_alarmed, is_live, is_open),
    Kind.ON_SCENE: (_is_alarmed, is_live, is_open),
    Kind.WHERE: (_is_alarmed, is_live, is_open),
    Kind.PACK: (_is_alarmed, is_live, _is_closed, is_open),
}


# A plan that has not begun


def not_begun(intent: Intent, meant: Sequence[Match]) -> PhoneMatch | None:
    """The one plan that words of an end would close before its start, where they do not name it."""
    if intent.kind not in ENDINGS or intent.ref is not None or len(meant) != 1:
        return None
    only = meant[0]
    whose = has_part(only, Role.DIVER) or intent.kind is Kind.SAFE
    return only if isinstance(only, PhoneMatch) and only.dive.phase is Phase.FILED and whose else None


def over_lately(matches: Sequence[Match], at: datetime) -> PhoneMatch | None:
    """The dive of the sender that ended last, where that is so short a time ago that words may be about it."""
    lately = [match for match in matches if isinstance(match, PhoneMatch) and match.dive.can_reopen(at)]
    return max(lately, key=lambda match: match.dive.closed_at or at, default=None)


def is_far_off(match: PhoneMatch, at: datetime) -> bool:
    """Whether nobody goes in as early as this by that plan."""
    time_in_at = match.dive.plan.time_in_at
    return time_in_at is not None and time_in_at - at > EARLIEST_IN


# A call for help where no clock runs


_ABOUT_AS_NEAR = timedelta(hours=1)


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
