"""Which texts raise concern by a word of trouble, and which only sound like it."""

from __future__ import annotations

import re

import pytest

from service.domain.texts import Intent, Kind, read
from service.domain.texts.trouble import was_only_worried
from service.domain.texts.typed import typed

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

ANSWERED_BY_A_MACHINE = """
I'm driving. In case of emergency ring my office; In case of an emergency, my work number
in an emergency use 07700 900100; Driving. In an emergency 07700 900100
I am at work, if this is an emergency ring again; Driving now, if it is an emergency text again
"""

OF_AN_EMERGENCY = "we are in an emergency; Bram in an emergency; this is an emergency; emergency; in case, Bram missing"


ANSWERED_NO = """
No. Help; No, help; No. SOS; No, lost Bram; No. Missing buddy; No, injured diver; no, stuck on rocks; no, drowning
No. Emergency; no! accident; no... help; no - lost Bram; No-lost Bram; No/help; no (lost Bram); nope. Help; no: trapped
no, one is missing; no 😱 help; ❌ lost Bram; no please help; no, not ok; No problem. Lost Bram; nothing. missing Bram
no stuck on rocks; no send help; nobody to help us; No—lost Bram; No – help; no*\u2028*help
"""

A_THING_AND_A_PERSON = """
bad vis, lost Bram; no vis, lost buddy; No signal. Lost Sam; Back at car, lost Bram; At the exit. Missing Bram
On the slip. Lost Bram.; at the site, missing one diver; found SMB, missing diver; bad vis lost Bram
no vis lost buddy; no signal lost Sam; back at the car lost Bram; at the exit missing Bram; found smb missing diver
lost mask & Bram; lost mask + Bram; lost fins, mask and Bram; lost my mask, and Bram; mask lost and Bram
lost site of Bram; signal lost 2 divers; lost my torch, lost Bram; by my car lost; phone dead, Bram missing
"""

SAID_OTHERWISE = """
Bram is no longer breathing; no longer conscious; no longer responding; can no longer find Bram; he doesnt breathe
he doesn't breathe; he does not breathe; she wont breathe; they dont breathe; wont wake up; Bram won't wake; not waking
cant wake Bram; he doesn't respond; Anna didn't react; he isn't moving; not breating; unconcious; unconsious
not concious; drowing; ok SOSSOS; now SOSOS; ok MAYDAYMAYDAY; we need HELPHELP; heeelp; HELPPP; SOOOS; sosss
he is SOSHELP
"""

FROM_THE_WATER = """
we got separated; separated; buddy gone; buddy not surfaced; only one of us came up; just me came back
caught in current
caught in a strong rip current; tangled; in a rip; can't exit; unable to exit; too rough to get out; impossible to exit
big waves, can't exit; too exhausted to swim; hit by a boat; run over by a jetski; fallen on rocks; slipped on the steps
we are not safe; he isn't safe; she's not safe; pins and needles; dizzy; legs gone numb; bent; panic; Bram is in panic
big problem; serious problem here; something happened; something terrible has happened; rescue us; save us
don't know where we are; no idea where I am; HLP; HLEP; emergancy; emergeny; emegency; urgent; urgent, call us; ALARM!
raise the alarm; bram not surfaced; Bram has still not surfaced; Anna not come up; boat hit him
current took bram; a boat just hit us; current took him; the current took her; the tide has taken them
he hit his head; 999; 112
"""

FROM_THE_WATER_AND_CALM = """
not urgent; nothing urgent; sorry I am in an urgent meeting; no big problem; not a big problem; big problem with the app
no need to panic; has something happened?; not safe to dive, nogo; it is not safe here; not separated
separated from my torch; caught in traffic; don't know where to park; when do I raise the alarm
so I raise the alarm at 15:45; false alarm; stop the alarm; too rough to dive; too busy to get away; buddy gone home
divers gone for lunch; divers down 10:05; low on air; strong current; still in; buddy still in; not surfaced yet
only 2 of us today; energy; fell asleep; still not surfaced; current took my fin; tide took ages; OUT!!!! cold af
all out. cold but fine
"""

PARTED_AND_HARMLESS = """
No, nobody is missing; No, no one is missing; no-one missing; No. No help needed; no, nobody hurt; no s.o.s.; no mayday
No S.O.S. needed; No, not injured; No worries, all good; No, lost my mask; no, lost a fin; No. No problem, lost my fin
No, phone died; no longer missing; no longer in trouble; no *help* needed; No help, thanks; not now in trouble
signal lost 10 min ago; mask lost in the surf; my phone is lost; phone lost, fins lost; mask lost and fins lost
lost mask & fins; lost my mask, and fins; lost left/right fin; car won't move; phone not responding; stuck in car-park
battery in the car died; app on my phone died; don't hold your breath; we are unconcerned; signal lost, we are fine
"""

FROM_WHO_CANNOT_COME = """
I can't help; Sorry, I can't help; sorry I can't help you tonight, I'm abroad; No, I can't help; sorry can't help
we cannot help today; I can't help, I am at work
"""

CANNOT_HELP_AND_CRIES = """
can't help; can't. Help; I can't. Help; we can't help him; I can't help he has gone under; I can't help, lost Bram
Sorry he has gone under, can't help; I can't help, I am stuck; please, can't. help
"""


def listed(texts: str) -> list[str]:
    """Texts parted by semicolons or line ends."""
    return [text.strip() for text in re.split(r"[;\n]", texts) if text.strip()]


@pytest.mark.parametrize("text", listed(TROUBLE))
def test_a_word_of_trouble_is_a_worry(text: str) -> None:
    """A text that is no form and tells of trouble is passed on at once."""
    assert read(text) == Intent(kind=Kind.WORRY)


@pytest.mark.parametrize("text", [*listed(ANSWERED_NO), "No\nhelp", "no\r\nlost Bram"])
def test_a_no_denies_nothing_beyond_its_own_clause(text: str) -> None:
    """Our reminders ask whether all are out: "No. Help" answers that, and cries for help."""
    assert read(text) == Intent(kind=Kind.WORRY)


@pytest.mark.parametrize("text", listed(A_THING_AND_A_PERSON))
def test_a_thing_beside_a_person_who_is_lost_does_not_hide_them(text: str) -> None:
    """What was bad, or where somebody stands, is not what was lost."""
    assert read(text) == Intent(kind=Kind.WORRY)


@pytest.mark.parametrize("text", listed(SAID_OTHERWISE))
def test_trouble_in_other_words_or_spelt_in_haste_is_a_worry(text: str) -> None:
    """Who is frightened drops apostrophes, letters and blanks."""
    assert read(text) == Intent(kind=Kind.WORRY)


@pytest.mark.parametrize("text", listed(FROM_THE_WATER))
def test_what_somebody_texts_who_cannot_get_out_or_has_lost_their_buddy_is_a_worry(text: str) -> None:
    """Each of these was only kept, and answered with how to say OUT."""
    assert read(text) == Intent(kind=Kind.WORRY)


@pytest.mark.parametrize("text", listed(FROM_THE_WATER_AND_CALM))
def test_the_same_words_in_a_calm_text_are_no_worry(text: str) -> None:
    """A reason for a NOGO, a contact's question, a thing."""
    assert read(text).kind not in (Kind.WORRY, Kind.RAISE_NOW)


@pytest.mark.parametrize("text", ["SOSSOS", "sos.sos", "MAYDAYMAYDAY", "MaydayMayday", "HELPHELP", "HELPHELP HELP"])
def test_a_cry_that_runs_together_is_the_cry(text: str) -> None:
    """It raises the alarm as one alone does, also for a dive that is only filed."""
    assert read(text).kind is Kind.RAISE_NOW


@pytest.mark.parametrize("text", listed(PARTED_AND_HARMLESS))
def test_a_denial_and_a_mere_thing_hold_within_their_clause(text: str) -> None:
    """Full stops between harmless clauses make no trouble of them."""
    assert read(text).kind not in (Kind.WORRY, Kind.RAISE_NOW)


def test_no_longer_asks_for_no_more_time() -> None:
    """Who writes that something has ended is not told how to be late."""
    assert (read("no longer sure").near, read("need a bit longer").near) == (None, Kind.LATE)


@pytest.mark.parametrize("text", listed(NO_TROUBLE))
def test_trouble_that_is_denied_or_about_a_thing_is_no_worry(text: str) -> None:
    """Lost fins and absent problems raise nobody."""
    assert read(text).kind is Kind.UNCLEAR


def test_what_is_doubtful_raises() -> None:
    """A word of trouble in an odd place still raises: a false alarm costs less than a missed one."""
    assert read("there were bends in the road").kind is Kind.WORRY


@pytest.mark.parametrize("text", listed(ANSWERED_BY_A_MACHINE))
def test_a_phone_that_answers_by_itself_raises_nothing(text: str) -> None:
    """Many say what to do in case of emergency, and a contact's answered every start notice with an alarm."""
    assert read(text).kind is Kind.UNCLEAR


@pytest.mark.parametrize("text", listed(OF_AN_EMERGENCY))
def test_an_emergency_that_is_one_raises_concern(text: str) -> None:
    """However it is put."""
    assert read(text).kind in (Kind.WORRY, Kind.RAISE_NOW)


@pytest.mark.parametrize(
    ("text", "only"),
    [
        ("Thanks, I was so worried!", True),
        ("we had been getting worried", True),
        ("I am worried", False),
        ("was worried, and now Bram is missing", False),
        ("thanks for telling me", False),
    ],
)
def test_who_was_worried_is_told_from_who_is(text: str, *, only: bool) -> None:
    """Many write so once it is over; a word of trouble beside it is one."""
    assert was_only_worried(typed(text)) is only


@pytest.mark.parametrize("text", listed(FROM_WHO_CANNOT_COME))
def test_a_contact_who_cannot_help_raises_no_alarm(text: str) -> None:
    """The plan that somebody keeps for a dive just begun is answered so; it is near DECLINE."""
    assert read(text) == Intent(kind=Kind.UNCLEAR, near=Kind.DECLINE)


@pytest.mark.parametrize("text", listed(CANNOT_HELP_AND_CRIES))
def test_whoever_cannot_help_somebody_cries_for_help(text: str) -> None:
    """Only a whole text that says no more than that its sender has other things to do is none."""
    assert read(text) == Intent(kind=Kind.WORRY)
