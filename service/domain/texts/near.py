"""What a text that was not understood was probably meant to be, so that the answer can say how to say it."""

from __future__ import annotations

import re

from service.domain.texts.intent import Kind
from service.domain.texts.typed import Typed

# The first line that fits decides, so the order matters: "out in 10" is about being late, not being out.
_GUESSES = tuple(
    (re.compile(pattern), kind)
    for pattern, kind in (
        (r"^plan\b", Kind.PLAN),
        (
            r"\blater?\b|\bdelay\w*\b|\bexten\w+|(?<!\bno )\blonger\b|\bmore (?:time|min\w*)\b|\boverrun",
            Kind.LATE,
        ),
        (
            r"\b(?:out|up|back|ashore|surfac\w+) (?:in|by|at|about|around|until) (?:about )?(?:\d|an? |half)",
            Kind.LATE,
        ),
        (r"^\+\d{1,3}\D*$|\buntil \d|\d ?m(?:in(?:ute)?s?)? (?:more|extra)\b", Kind.LATE),
        (
            r"^(?:they are|they have|he is|she is|hes|shes|everyone is)(?: all| both)? (?:out|back|up|here)",
            Kind.SAFE,
        ),
        (
            r"\b(?:all|both|everyone|everybody|they are|is|are) (?:all )?(?:ok|fine|good|well)\b|\bfound\b",
            Kind.SAFE,
        ),
        (r"\bstand ?down\b|\bfalse alarm\b", Kind.SAFE),
        (r"\bcancel|\babort|\bscrub|\bnogo\b|\bno go\b|\bcall\w* (?:\w+ )?off\b", Kind.CALL_OFF),
        (r"\bnot (?:diving|going|getting)\b", Kind.CALL_OFF),
        (
            r"\bout\b|\bsurfac\w+|\bashore\b|\bfinish|\bexit|\bup\b|\bend\b|\bdone\b|\bback\b|\bon shore\b",
            Kind.FINISH,
        ),
        (r"\bstill (?:in|down|diving|under)", Kind.LATE),
        (r"\bcall(?:ed|ing)\b|\bcoastguard\b|\blifeboat\b|\brescue\b|\b(?:999|112|911)\b", Kind.CALLED),
        (r"\bsafe\b", Kind.SAFE),
        (r"\b(?:on|at)(?: the)? (?:scene|site)\b", Kind.ON_SCENE),
        (r"^(?:at|pos|position|loc|location|geo|gps)\b|\bour position\b|\bhttps?\b", Kind.POSITION),
        (r"^(?:in|start\w*|entering|descend\w*)\b|\bstart\w* dive", Kind.START),
        (r"\b(?:go|going|get|getting|are|not|jumping|hopping|both|all|\d) in\b", Kind.START),
        (r"\bstatus\b|\bhow (?:long|much)\b|^when\b|\bwhat time\b|\bdue\b", Kind.STATUS),
        (r"\bwhere (?:are|is|were|was)\b|^where\b", Kind.WHERE),
        (r"\bpack\b|\bhand ?over\b", Kind.PACK),
        (r"\bdeclin\w*|\bdisagree|\b(?:not|dont|cant|wont) (?:\w+ )?agree", Kind.DECLINE),
        (r"\bagree", Kind.AGREE),
        (r"^ok\b|\bgot it\b|\bunderstood\b|\bon (?:my|our|the) way\b", Kind.OK),
        (r"^(?:stop|unsubscribe)\b", Kind.OPT_OUT),
        (r"^(?=(?:\D*\d){5})[\d .,-]*$", Kind.CODE),
    )
)


def near(text: Typed) -> Kind | None:
    """Guess what was meant; None where there is no telling."""
    return next((kind for pattern, kind in _GUESSES if pattern.search(text.words)), None)
