"""What the party of a restored dive is asked before anybody ashore is alerted."""

from __future__ import annotations

from service.domain.dive.events import Held, HoldEnded, StepTaken
from service.domain.dive.state import Dive
from service.domain.language import Phrase, say
from service.domain.wording.drafts import Draft
from service.domain.wording.phrases import out, overdue, time_of


def on_held(_dive: Dive, _event: Held | HoldEnded) -> list[Draft]:
    """Nobody is told of it: the question and the alarms speak for themselves."""
    return []


def ask_out(dive: Dive, event: StepTaken) -> Phrase:
    """What whoever came out since the copy was made answers with; a plan may have been started or called off since."""
    lost_since = dive.waiting.copied_at if dive.waiting is not None else None
    time = time_of(dive, lost_since, event.at)
    if dive.started_at is None:
        return say("we lost the texts since {time}. Going in? Text IN. Out again? OUT. Not diving? NOGO.", time=time)
    if dive.alarm_due_at is not None and dive.alarm_due_at <= event.at:
        return overdue(dive, event.at)
    alarm = time_of(dive, dive.alarm_due_at, event.at)
    return say("we lost the texts since {time}. {out}. Alarm goes out {alarm}.", time=time, out=out(dive), alarm=alarm)
