"""Forms that are fixed phrases, and those with one head count or one number."""

from __future__ import annotations

import re

from service.domain.texts.intent import Intent, Kind
from service.domain.texts.numbers import people_in, read_code, take_code, take_reference
from service.domain.texts.table import any_of, phrases
from service.domain.texts.typed import Typed

OPT_OUT = phrases("""
stop, stopall, stop all, unsubscribe, cancel, end, quit, optout, opt out, revoke, remove, arret, td
stop texting me, stop texting, stop texts, stop messages, stop messaging me, unsubscribe me, remove me
opt me out, remove my number
""")
"""What carriers and platforms act on by themselves, and (US 47 CFR 64.1200(a)(10)) what any reasonable person
would take for the same wish."""

OPT_IN = phrases("start, unstop, join")
INFO = phrases("info")
HELP = re.compile(r"(?:help)+(?: (?:help)+)*")

OK = phrases("""
ok, k, ok ok, got it, got this, got that, i have got it, got your text, got your message, on it, i am on it
we are on it, understood, will do, received, message received, roger, roger that, copy, copy that, ack
acknowledged, noted, seen, seen it
""")
_STATUS = phrases("""
status, what is the status, whats the status, time, time left, time check, clock, what time, whats the time
what is the time, how long, how long left, how long have we got, how much time, how much time left, due
due out, when due, when are we due, when are we due out, when am i due, when am i due out, what is our time
whats our time, what is my time
""")

# Without its apostrophe `we're` is `were`, so `where were they` is this.
_WHERE = phrases("""
where, where are they, where are we, where is it, where are the divers, where we are they, where did they go in
where are they diving, position, the position, their position, last position, last known position, pos, location
their location, the location, last known location, what is the position, whats the position
what is their position, whats their position, what is the location, whats the location
what is the last known position, whats the last known position
""")
_PACK = phrases("""
pack, the pack, handover, handover pack, the handover pack, hand over, hand over pack, rescue pack
pack for rescue, the pack for rescue, send pack, send me the pack, send the pack
""")
# None of these is a word of the carriers, of which YES is one: to agree by YES would be to opt in to everything.
_AGREE = phrases("agree, agreed, i agree, we agree, i do agree, i have agreed, i agree to that, i agree to this")
_DECLINE = phrases("decline, declined, i decline, we decline, i do decline, i have declined, i decline that")
_ON_SCENE = re.compile(
    any_of(r"""
(?:arrived |here |there )?(?:on|at)(?: the)? (?:scene|site)
""").join((r"(?:(?:i am|we are|have|i have|we have|am|are) )?", ""))
)

_CALL_OFF = re.compile(
    any_of(r"""
(?:dive )?(?:nogo|no go)
no (?:dive|diving)(?: today| tonight)?
(?:we are |i am )?not (?:diving|going in|getting in|going diving)(?: today| tonight)?(?: after all)?
(?:we|i) (?:didnt|did not) (?:go in|dive|get in)(?: today)?(?: after all)?
(?:calling|call|called)(?: it| dive| the dive| our dive)? off
(?:the )?dive (?:is )?(?:called )?off|dives off|off today
""")
)

_SERVICE = any_of(r"""
(?:the )?(?:coastguard|rescue|rescue services?|emergency services?|lifeboat|police|ambulance)
999|112|911|000|111
""")
_COMING = any_of(
    r"""
(?: and)? (?:they|help|(?:the |a )?<craft>) (?:(?:is|are) )?(?:coming|on (?:its|their|the) way)
(?: and)? they are (?:sending|launching) (?:(?:a|the) )?(?:<craft>|team)
""",
    craft="(?:lifeboat|boat|helicopter|police|ambulance)",
)
_NUMBERED = any_of(
    r"""
<named>(?P<label>(?=[a-z /-]*\d)[a-z0-9/-]+(?: [a-z0-9/-]+){0,2})
(?P<bare>\d{4,8})
""",
    named="(?:(?:ref|reference|incident|number|no|job|log)(?: is)? )+",
)
_CALLED = re.compile(
    any_of(
        r"""
(?P<alone>called|phoned|rang)
(?:called|phoned|rang) (?:on )?\d{2,3}
(?:called|phoned|rang|rung|informed|notified|alerted|told|spoken to|spoke (?:to|with)) <service>(?: on \d{3})?<coming>?
<service> (?:(?:is|are|has been|have been) )?(?:called|phoned|informed|notified|alerted|told)
""",
        service=_SERVICE,
        coming=_COMING,
    ).join((r"(?:(?:i|we) )?(?:have )?", rf"(?: {_NUMBERED})?"))
)

# Alone only the very word that is taught, as above: "not reached" may well be about the divers.
_TOLD = "(?:call|called|phone|phoned|ring|rung|reach|reached|inform|informed|notify|notified|alert|alerted|told)"
_NOT_CALLED = re.compile(
    any_of(
        r"""
(?:notcalled|not called)(?: (?:<service>|\d{4,8}))?
not <told> <service>
<service> (?:(?:is|are|was|we are|has been|have been) )?not(?: been)? <told>
<service> (?:isnt|arent|wasnt|werent|(?:hasnt|havent|has not|have not) been) <told>
nobody (?:has )?(?:called|phoned|rung|rang|informed|notified|alerted|told) <service>
called (?:was|is) (?:wrong|a mistake|not true|not right)
(?P<own>(?:i|we) (?:(?:did|have|had) not|didnt|havent|hadnt|never) (?:call(?:ed)?|<told> <service>)(?: yet)?)
(?P<yet>(?:<service> )?not(?: been)? (?:called|<told> <service>) yet)
(?P<slip>called (?:(?:was )?sent )?(?:by|in) (?:mistake|error))
(?P<cut>(?:(?:my|the|our) )?call(?: to <service>)? (?:did not|didnt) get through)
(?P<through>(?:i |we )?(?:did not|didnt|could not|couldnt|cant) (?:get through to|reach) <service>)
""",
        service=_SERVICE,
        told=_TOLD,
    )
)

_SAFE_WHO = any_of(r"""
they are|we are|i am|everyone|everyone is|everybody|everybody is
(?:they are |we are )?all(?: are| of them| of us)?
(?P<both>(?:they are |we are )?both(?: are| of them| of us)?)
(?:they are |we are )?(?:all )?(?P<before>\d{1,3})(?: divers| people)?(?: are)?
""")
_SAFE_HOW_MANY = any_of(r"""
(?:p ?|x ?)?(?:all )?(?P<after>\d{1,3})(?:(?:/| of )(?P<of>\d{1,3}))?(?: divers| people)?
(?P<two>both)|all
""")
_OF_THEMSELVES = re.compile(r"\b(?:we|i|us)\b")
_SAFE = re.compile(rf"(?:{_SAFE_WHO} )?safe(?: and (?:well|sound|ashore))?(?: {_SAFE_HOW_MANY})?")


def read_ok(text: Typed) -> Intent | None:
    """Read a contact's acknowledgement."""
    words, reference = take_reference(text.words)
    words, code = take_code(words)
    return Intent(kind=Kind.OK, code=code, ref=reference) if words in OK else None


def read_status(text: Typed) -> Intent | None:
    """Read a question about the clock."""
    words, reference = take_reference(text.words)
    words, code = take_code(words)
    return Intent(kind=Kind.STATUS, code=code, ref=reference) if words in _STATUS else None


def read_where(text: Typed) -> Intent | None:
    """Read a question for the last known position."""
    words, reference = take_reference(text.words)
    return Intent(kind=Kind.WHERE, ref=reference) if words in _WHERE else None


def read_pack(text: Typed) -> Intent | None:
    """Read a contact's wish for the handover pack."""
    words, reference = take_reference(text.words)
    return Intent(kind=Kind.PACK, ref=reference) if words in _PACK else None


def read_agree(text: Typed) -> Intent | None:
    """Read somebody's word that they will be a shore contact."""
    words, reference = take_reference(text.words)
    return Intent(kind=Kind.AGREE, ref=reference) if words in _AGREE else None


def read_decline(text: Typed) -> Intent | None:
    """Read somebody's word that they will be no shore contact."""
    words, reference = take_reference(text.words)
    return Intent(kind=Kind.DECLINE, ref=reference) if words in _DECLINE else None


def read_on_scene(text: Typed) -> Intent | None:
    """Read a contact's word that they are at the site; whether it was a contact, the operation finds out."""
    words, reference = take_reference(text.words)
    return Intent(kind=Kind.ON_SCENE, ref=reference) if _ON_SCENE.fullmatch(words) else None


def read_call_off(text: Typed) -> Intent | None:
    """Read that a filed dive will not happen."""
    words, reference = take_reference(text.words)
    words, code = take_code(words)
    return Intent(kind=Kind.CALL_OFF, code=code, ref=reference) if _CALL_OFF.fullmatch(words) else None


def read_called(text: Typed) -> Intent | None:
    """Read that a rescue service was called, and its reference; two or three bare digits were dialled."""
    words, reference = take_reference(text.words)
    match = _CALLED.fullmatch(words)
    if match is None:
        return None
    if match["alone"] and words != "called" and not (match["label"] or match["bare"]):
        return None  # only the very word that is taught: "I called" and "phoned" may well be about the divers
    number = _as_typed(match["label"], text.plain) if match["label"] else match["bare"]
    return Intent(kind=Kind.CALLED, reference=number, ref=reference)


def read_not_called(text: Typed) -> Intent | None:
    """Read that rescue was not called, or that nobody there has it; `own` where they say it of themselves."""
    words, reference = take_reference(text.words)
    match = _NOT_CALLED.fullmatch(words)
    if match is None:
        return None
    own = True if any(match[said] for said in ("own", "yet", "slip", "cut", "through")) else None
    return Intent(kind=Kind.NOT_CALLED, own=own, ref=reference)


def _as_typed(words: str, plain: str) -> str:
    """Find a reference in the text with the dashes and strokes that it has there, in capitals."""
    pattern = r"[\W_]*".join(re.escape(word) for word in words.split(" "))
    found = re.findall(rf"\b{pattern}\b", plain, re.IGNORECASE)
    return (found[-1] if found else words).upper()


def read_safe(text: Typed) -> Intent | None:
    """Read that people are safe, how many, and whether they say so themselves; a contact's word, or a diver's."""
    words, reference = take_reference(text.words)
    words, code = take_code(words)
    match = _SAFE.fullmatch(words)
    if match is None or (match["before"] and match["after"]):
        return None
    number = match["before"] or match["after"]
    count = people_in(number) if number else 2 if match["both"] or match["two"] else None
    of = int(match["of"]) if match["of"] else None
    if number and (count is None or (of is not None and count > of)):
        return None
    own = True if _OF_THEMSELVES.search(words) else None
    return Intent(kind=Kind.SAFE, code=code, count=count, of=of, own=own, ref=reference)


def read_bare_code(text: Typed) -> Intent | None:
    """Read a code that stands alone."""
    code = read_code(text.words)
    return Intent(kind=Kind.CODE, code=code) if code else None


def read_reserved(text: Typed) -> Intent | None:
    """Read the words that carriers act on; none of them is a command of ours, and HELP raises the alarm."""
    if text.words in OPT_OUT:
        return Intent(kind=Kind.OPT_OUT)
    if text.words in OPT_IN:
        return Intent(kind=Kind.OPT_IN)
    if text.words in INFO:
        return Intent(kind=Kind.INFO)
    words, reference = take_reference(text.words)
    return Intent(kind=Kind.RAISE_NOW, reserved=True, ref=reference) if HELP.fullmatch(words) else None
