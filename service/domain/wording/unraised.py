"""What is told of a call for help that no dive takes up: to whoever sent it, and to the admins of their club.

In an outage it is the same but for what nobody can know then (`outage.help_unheard`, `outage.help_for_admins`).
"""

from __future__ import annotations

from datetime import datetime

from service.domain.dive.state import Dive, Phase
from service.domain.language import Name, Phrase, say
from service.domain.wording.drafts import SEGMENTS, MessageKind, worded
from service.domain.wording.general import sos_without_dive
from service.domain.wording.parts import Part, keep, may_go
from service.domain.wording.phrases import number_of, quote, time_of


def help_told(
    club_name: str, rescue_call: str, near: Dive | None, now: datetime, *, told: bool, opens: bool, language: str
) -> str:
    """To whoever calls for help. `near`: the dive of theirs that it may be about; `told`: the admins hear of it.

    `opens`: an SOS would tell the contacts of a dive as well, and what they sent was none.
    """
    if near is None and not told:
        return sos_without_dive(club_name, rescue_call, language)
    state = say("no open dive for this phone.") if near is None else _of_theirs(near, now)
    parts = [
        may_go(1, state),
        keep(say("Only the club's admins are told.") if told else say("Nobody is told.")),
        *([keep(say("Contacts too? Text SOS."))] if opens else []),
        keep(say("Call rescue now: {rescue}", rescue=rescue_call)),
    ]
    return worded(club_name, parts, SEGMENTS[MessageKind.REPLY], language)


def _of_theirs(dive: Dive, now: datetime) -> Phrase:
    if dive.phase is Phase.CLOSED:
        return say("dive {ref} is over since {time}.", ref=dive.reference, time=time_of(dive, dive.closed_at, now))
    return say("dive {ref} is not started.", ref=dive.reference)


def help_for_admins(
    club_name: str,
    rescue_call: str,
    sender: str,
    name: str | None,
    words: str,
    near: Dive | None,
    now: datetime,
    language: str,
) -> str:
    """To a club's admins. `sender`: the number (E.164) that it came from; `name`: whose that is, where it is known."""
    number, said = number_of(sender), quote(words)
    parts = [
        keep(
            say("SOS from {number}: {quote}.", number=number, quote=said)
            if name is None
            else say("SOS from {name}, {number}: {quote}.", name=Name(name), number=number, quote=said)
        ),
        *_near(near, now),
        keep(say("No alarm is up for it: no contact knows.")),
        keep(say("Call them, then rescue: {rescue}.", rescue=rescue_call)),
    ]
    return worded(club_name, parts, SEGMENTS[MessageKind.ALERT], language)


def _near(dive: Dive | None, now: datetime) -> list[Part]:
    """What they may be about to do, or have just done: where to look for them."""
    if dive is None:
        return []
    site = Name(dive.plan.site.name)
    if dive.phase is Phase.CLOSED:
        over = time_of(dive, dive.closed_at, now)
        return [keep(say("Their dive {ref} at {site} is over since {time}.", ref=dive.reference, site=site, time=over))]
    if dive.plan.time_in_at is None:
        return [keep(say("Their dive {ref} at {site} is not started.", ref=dive.reference, site=site))]
    planned = time_of(dive, dive.plan.time_in_at, now)
    return [
        keep(
            say(
                "Their dive {ref} at {site}, planned for {time}, is not started.",
                ref=dive.reference,
                site=site,
                time=planned,
            )
        )
    ]
