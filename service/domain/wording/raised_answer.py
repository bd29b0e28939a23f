"""What somebody is answered whose words raise the alarm, or reach one that is up."""

from __future__ import annotations

from service.domain.dive.refusals import finish_text
from service.domain.dive.state import Dive
from service.domain.dive.ways import calls_come_first
from service.domain.language import Phrase, say
from service.domain.people import Actor, Role
from service.domain.wording.parts import Part, keep, may_go
from service.domain.wording.phrases import call_rescue


def _told_of_it(dive: Dive, by: Actor, told: Phrase) -> Phrase:
    """A contact who calls is told nothing else: they may be the only one whom anything reaches."""
    if any(one.key != by.key for one in dive.reachable_contacts):
        return told
    return say("No contact can be reached.") if calls_come_first(dive) else say("No contact can be reached by text.")


def passed_on(dive: Dive, by: Actor) -> list[Part]:
    """To somebody ashore whose words have trouble in them while the alarm is up: they may be of a call to rescue."""
    call = say("Call rescue: {rescue}.", rescue=call_rescue(dive))
    if dive.called_at is not None:
        call = say("Tell rescue: {rescue}.", rescue=call_rescue(dive))
    safe = f"SAFE {dive.head_count} {dive.reference}"
    called = say("Rescue was called? Text CALLED {ref}.", ref=dive.reference)
    return [
        keep(say("The alarm stands.")),
        may_go(1, _told_of_it(dive, by, say("The others get your words."))),
        keep(say("No exercise? {call}", call=call) if dive.drill else call),
        *([] if dive.called_at is not None else [may_go(1, called) if dive.drill else keep(called)]),
        may_go(2, say("All safe? {finish}", finish=safe)),
    ]


def raised_answer(dive: Dive, by: Actor) -> list[Part]:
    """To whoever raised the alarm: who hears of it, whom to call, and how to take it back."""
    by_diver = by.role is Role.DIVER
    told = say("Your contacts are being told.") if by_diver else say("The contacts are being told.")
    back = finish_text(dive) if by_diver else f"SAFE {dive.head_count} {dive.reference}"
    safe = say("All safe after all? Text {finish}", finish=back)
    call = say("Call rescue: {rescue}.", rescue=call_rescue(dive))
    return [
        keep(say("ALARM raised.")),
        may_go(1, _told_of_it(dive, by, told)),
        # Whoever is in trouble in an exercise has told nobody who will act.
        keep(say("No exercise? {call}", call=call) if dive.drill else call),
        keep(say("All safe? {finish}", finish=back) if dive.drill else safe),
    ]
