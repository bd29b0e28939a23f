"""What a text that was not understood was probably meant to be, so that the answer can say how to say it."""

from __future__ import annotations

import re

from service.domain.texts.intent import Kind
from service.domain.texts.typed import Typed

_GUESSES = tuple(
    (re.compile(pattern), kind)
    for pattern, kind in (
        (r"^plan\b", Kind.PLAN),
        (
            r"\blate\b|\blater\b|\bdelay\w*\b|\bextend\w*|\bextension\b|\blonger\b|\bmore (?:time|min\w*)\b|\boverrun\w*"
            r"|\b(?:out|up|back|ashore|surfac\w+) (?:in|by|at|about|around|until) (?:about |around )?(?:\d|an? |half)",
            Kind.LATE,
        ),
        (r"^\+|\buntil \d|\d ?m(?:in(?:ute)?s?)? (?:more|extra)\b", Kind.LATE),
        (
            r"^(?:they are|they have|he is|she is|everyone is|hes|shes)(?: all| both)? (?:out|back|ok|fine|good|well|ashore|up|here|found)"
            r"|\bstand ?down\b|\bfalse alarm\b|\b(?:all|both|everyone|everybody|they are)(?: is| are)? (?:ok|fine|good|well|found)\b|\bfound\b",
            Kind.SAFE,
        ),
        (
            r"\bcancel\w*|\babort\w*|\bscrub\w*|\bnogo\b|\bno go\b|\bcall\w* (?:\w+ )?off\b|\bnot (?:diving|going|getting)\b",
            Kind.CALL_OFF,
        ),
        (
            r"\bout\b|\bsurfac\w+|\bashore\b|\bfinish\w*|\bexit\w*|\bup\b|\bend\b|\bdone\b|\bback\b|\bon shore\b",
            Kind.FINISH,
        ),
        (r"\bstill (?:in|down|diving|under\w*)\b", Kind.LATE),
        (r"\bcalled\b|\bcalling\b|\bcoastguard\b|\blifeboat\b|\brescue\b|\b(?:999|112|911)\b", Kind.CALLED),
        (r"\bsafe\b", Kind.SAFE),
        (r"^(?:at|pos|position|loc|location|geo|gps)\b|\bour position\b", Kind.POSITION),
        (
            r"^(?:in|start\w*|entering|descend\w*)\b|\b(?:go|going|get|getting|are|not|jumping|hopping|both|all) in\b|\bstart\w* dive",
            Kind.START,
        ),
        (
            r"\bstatus\b|\bhow long\b|\bhow much\b|^when\b|\bwhat time\b|\bwhere (?:are|is)\b|\bdue\b",
            Kind.STATUS,
        ),
        (r"^ok\b|\bgot it\b|\bunderstood\b|\bon (?:my|our|the) way\b", Kind.OK),
        (r"^(?:stop|unsubscribe)\b", Kind.OPT_OUT),
        (r"^[\d .,-]*$", Kind.CODE),
    )
)
_SHORTEST_CODE_ATTEMPT = 5


def near(text: Typed) -> Kind | None:
    """Guess what was meant; None where there is no telling."""
    for pattern, kind in _GUESSES:
        if pattern.search(text.words):
            if kind is Kind.CODE and sum(c.isdigit() for c in text.words) < _SHORTEST_CODE_ATTEMPT:
                return None
            return kind
    return None
