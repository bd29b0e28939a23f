"""The parts of a start or a plan, in the order in which people type them."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from service.domain.texts.numbers import CLOCK, LENGTH_WITH_UNIT, minutes_in, people_in, time_of
from service.domain.texts.table import words

_DEEPEST_M = 100
SHORTEST_BARE_MIN = 10
"""A smaller number without its unit is a head count, or nothing."""
_MOST_SITE_WORDS = 4
_PHRASE_ENDS = r"(?= |$)"

_PARTS = tuple(
    (name, re.compile(rf"(?:{pattern}){_PHRASE_ENDS} ?"))
    for name, pattern in (
        ("filler", r"at(?= \D)|for(?= (?:\d|an? |half ))"),
        ("now", r"now"),
        ("both", r"both(?: of us)?"),
        (
            "count",
            r"p ?(\d{1,3})|x ?(\d)|(\d{1,3}) ?(?:p|pax|divers?|people|persons?|of us)|all (\d{1,3})",
        ),
        ("depth", r"(?:d|depth|max|max depth) ?(\d{1,3}(?:[.,]\d)?) ?m?|(\d{1,3}) ?(?:meters|metres|metre)"),
        ("metres_or_minutes", r"(\d{1,3}) ?m"),
        ("length", rf"({LENGTH_WITH_UNIT})"),
        ("clock", rf"(?:at )?(?!\d{{3}}{_PHRASE_ENDS})({CLOCK})"),
        ("number", r"(\d{1,3})"),
        ("site", r"([^\W\d_]\w{1,23})"),
    )
)

_NO_SITE = words("""
a about above again ages ago agony ahead all almost already alright am an and another any anyway are around as
ashore at away back bad beach bed between bit boat both but by call called cancel car case cold coming
danger days deco deep dense distress dive diver divers diving done down dry early end fact few fine finish
finished first five for from front full getting go going gone good great ground have he help her here him
his home hospital hour hours how hurry i if in info inside is it its just last late later less like line
long lost love lunch me min mins minute minutes moment more my near nearly need next no nogo not nowhere of
off ok old on or order our out over pain pairs part peace place plan point position probably progress pub
quickly quit ready safe same sea shape she shock shore shortly sight signal slowly so some soon sorry sos
start status stop suit sun surfaced tears than that the their them then there they things this time times to
today together tomorrow tonight too touch town traffic trouble twenty two under until up us use very wait
waiting water way we well were what when where which while who why will with work yes yesterday yet you your
minuten minuti minutos mezz mezzora nicht non pas ritardo sicherheit sicurezza stunde stunden unora verspatung
verspätung
""")
"""Words that follow `in` in everyday English; none may be taken for the beginning of a site."""

NO_SITE_ALONE = words("""
april august brief bits casualty charge class contact custody december detail doubt effect error essence fashion favour
february future general haste hopefully hospice icu january july june kind limbo luck maybe memory mind motion november
october office perhaps pieces playing practice principle prison process queue reality reply response retrospect return
reverse search season secret september sequence session silence spite stock sync theory tandem terms total transit
treatment trust truth tune turn vain
arbeit aufregung bald bearbeitung bereitschaft das dem den der deren die dieser diesem dreissig eile ein einem einen
einer einigen frage funf gedanken gleich halbe halber heute hoffentlich jetzt kontakt kraft kuerze kurze kürze morgen
noch ordnung planung ruhe sekunden sicht sofort stimmung trauer unserem unserer urlaub verbindung vielleicht
vorbereitung wenigen wirklichkeit zehn zukunft zwanzig zwei
aujourdhui bientot bientôt demain encore tout ahora creo hoy manana mañana pronto quizas quizás seguida
acqua adesso anticipo arrivo attesa contatto credo dieci domani forse fretta macchina mattinata oggi ora ore ospedale
corso due pausa poco pomeriggio posizione presto procinto quanto qualche questo questa riunione salvo serata servizio
subito tempo
tre treno ufficio una vacanza venti viaggio
""")
"""More of them in the languages of our texts. Alone they are no site; with a run time or a head count one may be so
called."""

_NO_LATER_SITE_WORD = frozenset({"at", "for", "by", "in", "until", "with", "and", "out", "not", "sos", "help"})


@dataclass(slots=True)
class Parts:
    """What was found. `now` stands for a time in only where no other time is given."""

    site: list[str] = field(default_factory=list)
    minutes: int | None = None
    count: int | None = None
    depth_m: float | None = None
    clock: str | None = None
    now: bool = False


def read_parts(typed: str) -> Parts | None:
    """Read site, time in, run time, head count and depth; None if one is unknown, doubled or impossible."""
    parts = Parts()
    at = 0
    site_closed = False
    while at < len(typed):
        name, match = _next_part(typed, at)
        if match is None:
            return None
        value = next((group for group in match.groups() if group), "")
        if name == "site":
            unfit = value in (_NO_SITE if not parts.site else _NO_LATER_SITE_WORD)
            if unfit or site_closed or len(parts.site) == _MOST_SITE_WORDS:
                return None
            parts.site.append(value.upper())
        elif name != "filler":
            site_closed = bool(parts.site)
            if not _put(parts, name, value):
                return None
        at = match.end()
    return parts


def _next_part(typed: str, at: int) -> tuple[str, re.Match[str] | None]:
    """Find which part stands at this place."""
    for name, pattern in _PARTS:
        if match := pattern.match(typed, at):
            return name, match
    return "", None


def _put(parts: Parts, name: str, value: str) -> bool:
    """Put one part in its place; False where it is doubled or impossible."""
    if name == "now":
        parts.now = True
        return True
    if name == "metres_or_minutes":
        # `50m` is the run time where none was given yet, and a depth after it.
        name = "length" if parts.minutes is None else "depth"
    if name == "number":
        if int(value) < SHORTEST_BARE_MIN:
            return False
        # `930` before any run time is half past nine; `50` is fifty minutes.
        name = "clock" if parts.clock is None and len(value) == 3 else "length"  # noqa: PLR2004
    if name in ("count", "both"):
        count = 2 if name == "both" else people_in(value)
        fits, parts.count = parts.count is None and count is not None, count
    elif name == "depth":
        depth_m = float(value.replace(",", "."))
        fits, parts.depth_m = parts.depth_m is None and 0 < depth_m <= _DEEPEST_M, depth_m
    elif name == "length":
        minutes = minutes_in(value)
        fits, parts.minutes = parts.minutes is None and minutes is not None, minutes
    else:
        clock = time_of(value)
        fits, parts.clock = parts.clock is None and clock is not None, clock
    return fits
