"""Which texts raise concern by a word of trouble, and which only sound like it."""

from __future__ import annotations

import re

import pytest

from service.domain.texts import Intent, Kind, read

TROUBLE = """
Bram missing; 2 missing; is Bram missing?; one of us is missing; lost Bram; lost bram near the point
we are lost; lost sight of them; lost buddy; lost contact with Anna; lost my mask and Bram; lost him
can't see him; cannot find anna; can not find her; couldn't find Dov; no sign of them
nobody can find Edda; can't reach my buddy; cant get hold of him; not breathing; stopped breathing
he isn't breathing; trouble breathing; Bram can't breathe; short of breath; out of gas; ran out of air
no air left; Anna unconscious; unresponsive; not responding; passed out on the slip; he collapsed
heart attack; chest pains; drowning; nearly drowned; blue lips; his lips are blue; Cleo injured
she is hurt; bleeding badly; broken leg; he is bent; got the bends; DCS symptoms; decompression sickness
missed deco stop; rapid ascent; hypothermia; stuck on rocks; trapped in a net; swept away by the current
drifting out; Bram hasn't surfaced; Bram didn't come up; never came back; cant get out
unable to get ashore; in trouble; in real trouble; having difficulties; there was an accident
this is an emergency; we need an ambulance; call the coastguard; send help; needs help; help me
help us please; need oxygen; medic needed; I'm worried; they are overdue; in difficulty; in lantern drowning p2
 something is wrong
it went badly wrong; not ok; OUT but Bram is missing; out, cant find Anna; not hurt but Anna is missing
dont panic but he is drowning; no help needed here but Bram is unconscious; lost fins and buddy
SAFE 1, other one missing; ok sos; he is dead
"""

NO_TROUBLE = """
not missing; nobody missing; no one is missing; none of us is hurt; nobody hurt; not injured; no injuries
no emergency; not an emergency; not in trouble; no trouble at all; no trouble breathing
no breathing problems; don't need help; we do not need any help; no need to call the coastguard
not worried; no worries; don't worry; don't panic; without signal earlier; lost signal; lost my phone
lost my fins; lost a glove; lost mask and fins; lost 10 min at the start; lost track of time
missing my left fin; can't find the slip; didn't see the text; no sign of signal; phone is dead
battery died; dead battery; stuck in traffic; stuck behind a tractor; sent by accident
decompression stop done; decompression dive tomorrow; thanks for your help; happy to help; can I help
how do I get help with this; if you need help; help with the form; help page; emergency contact is Anna
emergency over; my ears hurt; trouble parking; something wrong with the link; low on air; tired and cold
see you later; hello; good dive
"""


def listed(texts: str) -> list[str]:
    """Texts parted by semicolons or line ends."""
    return [text.strip() for text in re.split(r"[;\n]", texts) if text.strip()]


@pytest.mark.parametrize("text", listed(TROUBLE))
def test_a_word_of_trouble_is_a_worry(text: str) -> None:
    """A text that is no form and tells of trouble is passed on at once."""
    assert read(text) == Intent(kind=Kind.WORRY)


@pytest.mark.parametrize("text", listed(NO_TROUBLE))
def test_trouble_that_is_denied_or_about_a_thing_is_no_worry(text: str) -> None:
    """Lost fins and absent problems raise nobody."""
    assert read(text).kind is Kind.UNCLEAR


def test_what_is_doubtful_raises() -> None:
    """A word of trouble in an odd place still raises: a false alarm costs less than a missed one."""
    assert read("there were bends in the road").kind is Kind.WORRY
