"""The one thing that somebody ashore is to do now: in words, with the numbers to call, in the order to call them.

It agrees with the texts: before distress the party is called first, then rescue; at distress rescue first.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from service.domain.dive import Dive, Phase
from service.domain.dive.events import Outcome
from service.domain.language import render
from service.domain.local_time import say
from service.domain.people import Recipient
from service.domain.place.position import decimal
from service.domain.place.site import PointKind
from service.domain.wording.phrases import if_real
from service.web.dive_words import not_called_after_all

_MEET_AT = (PointKind.MEETING, PointKind.VEHICLE_ACCESS, PointKind.PARKING)
# The reference itself is never on this page: that somebody knows it shows that they hold the text.
_SOS = "text SOS and the reference from your text"
_IN_DOUBT = f"Not so, or in doubt? Call them. No answer? Call rescue, and {_SOS}: the alarm opens again."


@dataclass(frozen=True, slots=True)
class Call:
    """Somebody to call: `who`, and the number as words; the number within them is what a tap dials."""

    who: str
    number: str


@dataclass(frozen=True, slots=True)
class NextStep:
    """`title` says it, `words` what belongs to it, `then` what comes after the calls.

    `read_aloud`: the words for rescue are wanted now.
    """

    title: str
    words: tuple[str, ...]
    calls: tuple[Call, ...] = ()
    then: tuple[str, ...] = ()
    read_aloud: bool = False


def next_step(dive: Dive, reader: Recipient, now: datetime) -> NextStep:
    """What the reader of an alarm page is to do now."""
    if dive.phase is Phase.CLOSED:
        return _over(dive, now)
    if dive.called_at is not None:
        return _called(dive, reader)
    if dive.phase is Phase.DISTRESS:
        return _call_rescue(dive)
    if dive.alarmed or _overdue_unheard(dive, now):
        return _call_party(dive, reader)
    return _keep(dive, now)


def meeting_place(dive: Dive) -> str | None:
    """Where to meet rescue: the site's meeting point, else where vehicles get, else the parking, else its access."""
    site = dive.plan.site
    found = [point for kind in _MEET_AT for point in site.of_kind(kind)]
    if not found:
        return site.access
    at = f" ({decimal(found[0].position)})" if found[0].position is not None else ""
    return f"{found[0].name}{at}"


def _overdue_unheard(dive: Dive, now: datetime) -> bool:
    """The raise-by time has passed and no alarm went out: our clock is late, and the reader must not wait for it."""
    return dive.live and dive.raise_by_at is not None and now >= dive.raise_by_at


def _over(dive: Dive, now: datetime) -> NextStep:
    doubt = (_IN_DOUBT,) if dive.can_reopen(now) else ()
    if dive.outcome is Outcome.LAPSED:
        words = "No start was heard, so no clock runs. Whether anybody went in is not known."
        return NextStep("The plan has lapsed", (words,), _party(dive), doubt)
    if dive.called_at is None:
        return NextStep("It is over", ("If you called anybody about it, tell them that it is over.", *doubt))
    if dive.drill:
        return NextStep("It is over", (_if_real(dive, "", "now tell rescue that it is over"),))
    words = "Rescue had been called. Tell them now that it is over."
    return NextStep("It is over: tell rescue", (words,), _rescue(dive), doubt, read_aloud=True)


def _called(dive: Dive, reader: Recipient) -> NextStep:
    by = "" if dive.called_by is None else f" by {dive.called_by.name}"
    incident = f" Their number for it is {dive.called_reference}." if dive.called_reference else ""
    place = meeting_place(dive)
    meet = f"Meet rescue at {place}." if place else "Ask rescue where to meet them."
    there = any(told.key == reader.key for told in dive.on_scene)
    go = "Stay where rescue can find you, and out of the water." if there else "Going there? Say so below."
    words = (f"Rescue was called{by}.{incident}", meet, go)
    again = _if_real(dive, "Something new, or nobody comes? Call rescue again.", "call rescue again with anything new")
    return NextStep("Stay reachable: keep your phone free", words, _rescue(dive), (again,))


def _call_rescue(dive: Dive) -> NextStep:
    title = "In a real alarm: call rescue now" if dive.drill else "Call rescue now"
    not_so = not_called_after_all(dive)
    words = _if_real(
        dive, "Do not wait for anybody else. Read to them what stands below.", "read to them what stands below"
    )
    then = "Then say below that you have called rescue, or text CALLED."
    return NextStep(title, (*((not_so,) if not_so else ()), words), _rescue(dive), (then,), read_aloud=True)


def _call_party(dive: Dive, reader: Recipient) -> NextStep:
    acting = [dive.person(told.key) for told in dive.acknowledged if told.key != reader.key]
    other = next((person for person in acting if person is not None), None)
    mine = any(told.key == reader.key for told in dive.acknowledged)
    party = _party(dive)
    if other is not None and other.phone and not mine:
        words = (f"{other.name} acts on this. Agree who calls whom.",)
        no_answer = _if_real(dive, f"No answer? Call {_first(dive)}, then rescue.", f"call {_first(dive)}, then rescue")
        calls = (Call(other.name, other.phone), *party, *_rescue(dive))
        return NextStep(f"Call {other.name} now", words, calls, (no_answer,))
    if not party:
        return _call_rescue(dive)
    said = ("You said that you have it. Thank you.",) if mine else ()
    no_answer = _if_real(
        dive, "No answer? Call rescue. In doubt call rescue first.", "call rescue if they do not answer"
    )
    then = (no_answer, *(() if mine else ("Tell us below that you have it.",)))
    return NextStep(f"Call {_first(dive)} now", said, (*party, *_rescue(dive)), then)


def _keep(dive: Dive, now: datetime) -> NextStep:
    if dive.raise_by_at is None:
        words = ("They have not gone in, as far as we know. There is no alarm. You will hear when they go in.",)
        return NextStep("Nothing to do now", words)
    by = say(dive.raise_by_at, dive.plan.site.zone, now)
    rescue = _if_real(dive, "No answer? Call rescue, even if we are silent.", "call rescue if they do not answer")
    words = (f"There is no alarm now. If you have not heard by {by} that all are out, call {_first(dive)}. {rescue}",)
    wrong = f"Is something wrong already? Call rescue, and {_SOS}: all contacts are alerted."
    then = (_if_real(dive, wrong, f"call rescue at once if something is wrong, and {_SOS}"),)
    return NextStep(f"Keep this page until {by}", words, (*_party(dive), *_rescue(dive)), then)


def _if_real(dive: Dive, words: str, would: str) -> str:
    """The words, or in a drill what a reader would do in a real alarm."""
    return render(if_real(dive, words, would))


def _party(dive: Dive) -> tuple[Call, ...]:
    return tuple(Call(diver.name, diver.phone) for diver in dive.party_phones if diver.phone)


def _first(dive: Dive) -> str:
    return dive.party_phones[0].name if dive.party_phones else "them"


def _rescue(dive: Dive) -> tuple[Call, ...]:
    """Nobody is sent to rescue in a drill."""
    return () if dive.drill else (Call("rescue", dive.plan.site.rescue_call),)
