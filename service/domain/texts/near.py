"""What a text that was not understood was probably meant to be, so that the answer can say how to say it."""

from __future__ import annotations

import re

from service.domain.texts.intent import Kind
from service.domain.texts.slips import slip_of
from service.domain.texts.table import any_of
from service.domain.texts.typed import Typed, folded

_NOT = r"not|nobody|never|didnt|havent|hasnt|wasnt|isnt|arent|wrong\w*|mistake\w*"
_CALL = "call(?:ed|ing)?|rang|rung|phoned|coastguard|lifeboat|rescue|999|112|911"

# The first line that fits decides, so the order matters: "out in 10" is about being late, not being out.
_GUESSES = tuple(
    (re.compile(pattern), kind)
    for pattern, kind in (
        (r"^plan\b", Kind.PLAN),
        (
            r"\b(?<!see )(?<!you )(?<!ya )(?<!speak )(?<!talk )later?\b|\bdelay\w*\b|\bexten\w+|\boverrun",
            Kind.LATE,
        ),
        (r"(?<!\bno )\blonger\b|\bmore (?:time|min\w*)\b", Kind.LATE),
        (
            r"\b(?:out|up|back|ashore|surfac\w+) (?:in|by|at|about|around|until) (?:about )?(?:\d|an? |half)",
            Kind.LATE,
        ),
        (r"^\+\d{1,3}\D*$|\buntil \d|\d ?m(?:in(?:ute)?s?)? (?:more|extra)\b", Kind.LATE),
        (
            r"^(?:they are|they have|he is|she is|hes|shes|everyone is)(?: all| both)? (?:out|back|up|here|home)",
            Kind.SAFE,
        ),
        (
            r"\b(?:all|both|everyone|everybody|they are|is|are) (?:all )?(?:ok|fine|good|well)\b|\bfound\b",
            Kind.SAFE,
        ),
        (r"\bstand ?down\b|\bfalse alarm\b", Kind.SAFE),
        (r"\bcancel|\babort|\bscrub|\bnogo\b|\bno go\b|\bcall\w* (?:\w+ )?off\b", Kind.CALL_OFF),
        (r"\bnot (?:diving|going|getting)\b|\bno dive\b|\btoo rough\b", Kind.CALL_OFF),
        (
            r"\bout\b|\bsurfac\w+|\bashore\b|\bfinish|\bexit|\bup\b|\bend\b|\bdone\b|\bback\b|\bon shore\b",
            Kind.FINISH,
        ),
        (r"\bstill (?:in|down|diving|under)", Kind.LATE),
        (
            rf"\bget through\b|\b(?:{_NOT})\b.*\b(?:{_CALL})\b|\b(?:{_CALL})\b.*\b(?:{_NOT})\b",
            Kind.NOT_CALLED,
        ),
        (
            r"\bcall(?:ed|ing)\b|\b(?:rang|phoned)\b|\bcoastguard\b|\blifeboat\b|\brescue\b|\b(?:999|112|911)\b",
            Kind.CALLED,
        ),
        (r"\bsafe\b", Kind.SAFE),
        (r"\b(?:on|at)(?: the)? (?:scene|site)\b", Kind.ON_SCENE),
        (r"^(?:at|pos|position|loc|location|geo|gps)\b|\bour position\b|\bhttps?\b", Kind.POSITION),
        (r"^(?:in|start\w*|entering|descend\w*)\b|\bstart\w* dive", Kind.START),
        (r"\b(?:go|going|get|getting|are|not|jumping|hopping|both|all|\d) in\b", Kind.START),
        (r"\bstatus\b|\bhow (?:long|much)\b|^when\b|\bwhat time\b|\bdue\b", Kind.STATUS),
        (r"\b(?:any|no) (?:news|word|update)\b|\bheard (?:anything|from)\b", Kind.STATUS),
        (r"\b(?:going on|happening)\b|\bwhat happened\b", Kind.STATUS),
        (
            r"\b(?:what|who|whom) (?:do|should|shall|can|must) (?:i|we) (?:do|call|phone|ring)\b|^what(?: to do)?$",
            Kind.STATUS,
        ),
        (r"\bwhere (?:are|is|were|was)\b|^where\b", Kind.WHERE),
        (r"\bpack\b|\bhand ?over\b", Kind.PACK),
        (r"\bdeclin\w*|\bdisagree|\b(?:not|dont|cant|wont) (?:\w+ )?agree|\bcant help\b", Kind.DECLINE),
        (r"^not me\b|\bwrong (?:number|person)\b|\b(?:do not|dont) know (?:him|her|them|anyone)\b", Kind.DECLINE),
        (r"\bagree", Kind.AGREE),
        (r"^ok\b|\bgot it\b|\bunderstood\b|\bon (?:my|our|the) way\b", Kind.OK),
        (r"^(?:stop|unsubscribe)\b", Kind.OPT_OUT),
        (r"^(?=(?:\D*\d){5})[\d .,-]*$", Kind.CODE),
    )
)

# What people say in the other languages of our texts, without accents; none of it does anything.
_ABROAD = tuple(
    (re.compile(rf"\b{any_of(lines)}\b"), kind)
    for lines, kind in (
        (
            r"""
fehlalarm|fausse alerte|falsa alarma|falso allarme
(?:in )?sicherheit|sicher|salvo|salv[oiae]|al sicuro|en (?:securite|surete)|san[oai]s? [ey] salv[oai]s?|saufs?
""",
            Kind.SAFE,
        ),
        (
            r"""
verspat\w+|verspaet\w+|spater|spaeter|langer|laenger|noch \d+|en retard|retard|plus tard|de plus|retraso|mas tarde
llegamos tarde|minutos mas|min mas|in ritardo|ritardo|piu tardi|in piu|altri \d+
""",
            Kind.LATE,
        ),
        (
            r"""
raus|draussen|aus dem wasser|an land|aufgetaucht|zuruck|zurueck|fuera|salimos|salido|en tierra
de vuelta|dehors|sortis?|sorties?|hors de leau|hors de l eau|a terre|de retour|fuori|uscit[oaie]|a riva|tornat[oaie]
""",
            Kind.FINISH,
        ),
        (
            r"""
abgesagt|tauchen nicht|kein tauchgang|cancelado|no buceamos|no entramos|annulee?|ne plonge pas|pas de plongee
annullato|non ci immergiamo|niente immersione
""",
            Kind.CALL_OFF,
        ),
        (
            r"""
(?:nicht|niemand\w*|noch nicht|kein\w*) .*(?:gerufen|angerufen|alarmiert)|(?:no|nadie) .*(?:llamado|avisado|llame)
(?:pas|personne|jamais) .*(?:appele(?:e|s|es)?|prevenu\w*)|appele(?:e|s|es)? personne
(?:non|nessuno) .*(?:chiamat[oaie]|avvisat[oaie])
""",
            Kind.NOT_CALLED,
        ),
        (r"gerufen|angerufen|llamado|avisado|appelee?s?|chiamat[oaie]", Kind.CALLED),
        (
            r"""
gehen (?:jetzt )?rein|rein|ins wasser|entramos|al agua|on (?:y va|entre)|a leau|a l eau|entriamo|in acqua
""",
            Kind.START,
        ),
        (r"wo sind sie|donde estan|ou sont ils|dove sono", Kind.WHERE),
        (
            r"""
was (?:soll|muss|kann) ich (?:jetzt )?(?:tun|machen)|que dois ?je faire|que (?:tengo que )?ha(?:go|cer)
(?:cosa|che) devo fare
""",
            Kind.STATUS,
        ),
        (r"verstanden|entendido|recibido|bien recu|compris|ricevuto|capito|unterwegs", Kind.OK),
    )
)


def near(text: Typed) -> Kind | None:
    """Guess what was meant; None where there is no telling."""
    words = folded(text.words)
    abroad = next((kind for pattern, kind in _ABROAD if pattern.search(words)), None)
    found = next((kind for pattern, kind in _GUESSES if pattern.search(text.words)), None)
    # "in Sicherheit" begins as a start does, and "ok verstanden" as it ends.
    return abroad if abroad and found in (None, Kind.START) else found or slip_of(text)
