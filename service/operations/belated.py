"""Texts that lay somewhere, on a disk or in a gateway's list: some words are of before what they would now change.

A finish that reaches us late ends its dive, also when the clock has raised the alarm meanwhile. It does not end the
next dive of the same phone, nor an alarm for which somebody has called since; an OK is no answer to an alarm that was
raised after it; that rescue was called calms nobody once somebody has said later that it was not. Such words are kept
and quoted like a text that is not understood: nothing changes. Their sender hears why.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from service.domain.dive import Command, Dive, Phase
from service.domain.dive import commands as do
from service.domain.people import Actor, Via
from service.domain.texts import Kind
from service.operations.addressing import Text
from service.operations.starting_by_text import FILED_BY_START
from service.store import dives, inbound
from service.store.inbound import Said

CLOCKS_APART = timedelta(minutes=2)
"""By how much a gateway's clock may be behind ours. Of a call for help it is not allowed for: there, they are asked."""

_ENDS = (do.Finish, do.ReportSafe, do.CallOff)
_ABOUT_THIS_DIVE = (*_ENDS, do.Extend, do.Acknowledge, do.ReportCalled)
_BEGINS = (Kind.START, Kind.CODE)
_HELP = (Kind.RAISE_NOW, Kind.WORRY)


def not_belated(text: Text, dive: Dive, command: Command) -> Command:
    """The command, or that the text is only kept where it is of before what it would change. The dive is locked."""
    if not isinstance(command, _ABOUT_THIS_DIVE) or dive.phase is Phase.CLOSED:
        return command
    by = command.by
    came_at = inbound.came_at(text.session, text.inbound_id)
    if isinstance(command, do.Acknowledge) and came_at < _alerted_at(dive, by) - CLOCKS_APART:
        return _kept(text, by)
    if isinstance(command, do.ReportCalled) and _was_denied_since(text, dive, came_at):
        return _kept(text, by, Kind.NOT_CALLED)
    if dive.raised_by is None and came_at >= max(dive.filed_at, dive.started_at or dive.filed_at):
        return command
    said = inbound.about(text.session, dive.id)
    is_old = came_at < _began_at(text, dive, command, said) - CLOCKS_APART
    of_before_help = isinstance(command, _ENDS) and any(came_at < at for at in _calls_for_help(dive, said))
    return _kept(text, by) if is_old or of_before_help else command


def _kept(text: Text, by: Actor, overtaken: str = "news") -> Command:
    return do.Hear(by, text.words, str(text.intent.kind), overtaken=overtaken)


def _alerted_at(dive: Dive, by: Actor) -> datetime:
    """When the alarm that they answer went to them; to an admin with the first contact."""
    told = [one.at for one in dive.alerted if one.key == by.own_key]
    return max(told, default=dive.alarm_at or dive.filed_at)


def _was_denied_since(text: Text, dive: Dive, came_at: datetime) -> bool:
    """Whether anybody has said since that rescue was not called, also where no word stood that could have fallen.

    It may be of another's call, or wrong: then the repeats go on until they say it once more, which is the safe side.
    """
    denials = [one.came_at for one in inbound.about(text.session, dive.id) if one.intent == Kind.NOT_CALLED]
    return any(came_at < at for at in (*denials, *(one.at for one in dive.taken_back)))


def _began_at(text: Text, dive: Dive, command: Command, said: Sequence[Said]) -> datetime:
    """From when on words can be about this dive; what made or started it may have lain itself."""
    filing = [one.came_at for one in said if one.intent == Kind.PLAN or one.note == FILED_BY_START]
    filed_at = min([dive.filed_at, *filing])
    if dive.started_at is None:
        return filed_at
    if dive.assumed:
        return dive.started_at if _of_an_earlier_dive(text, dive, command) else filed_at
    return max(filed_at, min([dive.started_at, *(one.came_at for one in said if one.intent in _BEGINS)]))


def _of_an_earlier_dive(text: Text, dive: Dive, command: Command) -> bool:
    """Whether words of an end that name no dive may be of one that ended after the plan for this one was filed."""
    names = text.intent.ref is not None or text.intent.code is not None
    if names or not isinstance(command, do.Finish | do.ReportSafe):
        return False
    found = dives.for_phone(text.session, text.club.receiving_number, text.phone, dive.filed_at)
    return any(match.phase == Phase.CLOSED for match in found)


def _calls_for_help(dive: Dive, said: Sequence[Said]) -> list[datetime]:
    """When somebody called for help, by their own word."""
    calls = [one.came_at for one in said if one.intent in _HELP]
    raised = dive.raised_by is not None and (dive.raised_by.via is not Via.TEXT or not calls)
    if raised and dive.alarm_at is not None:
        calls.append(dive.alarm_at)
    # What a keeper has told without the database may be the text that comes next.
    return calls + [one.at for one in dive.raisings if one.by is not None]
