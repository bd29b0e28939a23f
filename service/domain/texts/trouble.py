"""Words of trouble in a text that is none of the forms.

A false alarm costs a walk to the beach, a missed one a life; so what is doubtful raises. What people write
every week without meaning trouble (lost fins, no problem, nobody missing) is taken out first, and only then
is trouble looked for. A denial and a mere thing reach no further than the clause in which they stand: "No. Help" is an
answer and a cry, "bad vis, lost Bram" a reason and a loss. Trouble itself may be parted by whatever signs.
"""

from __future__ import annotations

import re

from service.domain.texts.table import any_of
from service.domain.texts.trouble_abroad import has_trouble_abroad, undenied
from service.domain.texts.typed import BREAK, Typed, typed, with_same_phrases

# Not a place: "at the exit missing Bram" is not about an exit that went missing.
_MOVABLE = any_of("""
signal|reception|coverage|connection|service|wifi|internet|data|phones?|mobile|battery|power|chargers?|password
code|numbers?|texts?|messages?|links?|pages?|plan|email|app
masks?|fins?|torch(?:es)?|lights?|lamp|weights?|weightbelt|belt|knife|camera|gopro|reels?|smb|dsmb|buoy|gloves?
hood|boots?|booties|snorkel|computer|watch|compass|slate|gear|kit|filter|button|cable|glasses|socks?|hat|towel
keys?|car|van|bag|wallet|sign|time|count|interest|anything|things?|much|vis|visibility
""")
_THING = any_of(f"{_MOVABLE}\nshop|site|slip|slipway|path|parking|entry|exit|place|bottom")
_OWN = "(?:(?:a|an|the|my|our|his|her|their|your|some|1|any|of|another|both|new|old|car|left|right|dive) ){0,3}"
_PERSON = "(?:(?:my|our|a|an|the|his|her|their|1|2|3|of|other|dive|missing) ){0,3}" + any_of("""
him|her|them|someone|somebody|anyone|anybody|everyone|divers?|buddy|buddies|partner|friend|husband|wife|son
daughter|dad|mum|father|mother|brother|sister|instructor|student|lad|girl|boy|man|woman|guy|group|team|party|pair
""")

# What may follow "my mask is lost" without being what was lost: "at the car lost Bram" is about no car.
_AFTER_LOST = any_of(
    r"""
in|on|at|near|by|from|to|for|under|down|over|off|overboard|during|while|when|after|before|since|until|again|today
yesterday|earlier|already|too|also|so|but|as|because|this|last|somewhere|here|there|i|we|it|all|both|will|just
\d+ ?(?:m|mins?|minutes?|h|hours?|times)
and (?:i|we|it|all|both|will|no|<own><thing>)
-|\|
""",
    own=_OWN,
    thing=_THING,
)
_NOT_AT = "".join(
    rf"(?<!\b{where} {whose})"
    for where in ("at", "by", "near", "to", "from")
    for whose in ("", "a ", "the ", "my ", "our ")
)

# Nobody denies anything by "no stuck on rocks", "no send help" or "nobody to help us".
# Single words only in the repeated group: two ways to read the same words would make the search slow.
_NOT_SO = (
    r"(?!no (?:lost|stuck|trapped|send|call|get)\b|nobody (?:(?:is|here|there) )*to\b)"
    r"(?:not|no|nobody|nothing|none|never|isnt|arent|wasnt|dont|havent|hasnt|without|avoid)"
    r"(?: (?:is|are|was|has|have|been|be|an?|the|any|1|really|more|there"
    r"|in|of|us|for|to|got|get|need|send|call))*"
    r" "
    + any_of(r"""
missing|lost|hurt|injured|injur\w+|harmed|troubles?|difficult\w*|distress|danger|bent|drown\w*|bleeding|stuck
trapped|accidents?|emergency|sos|mayday|help|rescue|ambulance|worr\w+|panic\w*|uncon(?:s|ci)\w*|bends|dcs|dci|overdue
coastguard|lifeboat|pain|shock|coma|peril|urgent\w*|separated
""")
)

# Somebody ashore who has other things to do, and nothing else in the text: "we can't help him" is a cry.
_AWAY = "(?:i am|we are) (?:abroad|away|at work|ill|busy|(?:too )?far away|on holiday|not (?:there|here|at home))"
_REFUSAL = (
    r"(?:\A(?:no (?:\| )?)?(?:i|we) |(?:(?<=\A\| )|(?<=\A\| \| ))(?:i |we )?)"
    rf"cant help(?: you| tonight| today)*(?: (?:\| )?{_AWAY})?\Z"
)

_BEEN = "(?:is|are|was|has|have|been|gone|went)"
_UP_TO_TWO = r"(?:\w+ ){0,2}"
_BREATH = r"breath?(?:e|es|ed|ing)?"

_HARMLESS_LINES = r"""
no breathing (?:problems?|trouble)
no (?:trouble|problems?|difficulty) breathing
(?:lost|losing) <own><thing>\b(?! of\b)(?!(?: \|(?: and)? <own><thing>\b)*(?: \|)? and (?!<own><thing>\b))
dead <thing>
lost track of (?:the )?time
lost (?:about |some |a )?(?:few )?(?:\d+ ?)?(?:h|hours?|m|min|mins|minutes?|time)
(?:cant|couldnt|could not|unable to|didnt|did not|havent|have not) (?:find|see|reach|found) <own><thing>
(?:no sign|cant get hold) of <own><thing>
missing (?:you|out|<own><thing>)
<movable> (?:<been> )*(?:missing|lost)(?= <after>(?!\w)|$)
<movable> (?:<been> )*(?:dead|died|dying|stuck|(?:not|wont|doesnt|didnt) (?:respond(?:ing)?|mov(?:e|ing)))
wrong with <own><thing>
trouble (?:parking|finding <own><thing>|with <own><thing>)
(?:ears?|sinus(?:es)?|feet|head|back|knees?) (?:is |are )?hurts?
dont (?:worry|panic)
by accident
in case of (?:an? |any )?emergency|if (?:this|it|there) is (?:an? |any )?emergency|(?<!\w )in an emergency
stuck (?:in|at|on|behind) (?:the |a )?(?:\w+ )?(?:traffic|jam|queue|work|home|office|tractor|car park|gate)
emergency (?:is )?(?:contacts?|numbers?|phone|over|exit|plan|kit|drill|cancelled|card|weights?)
decompression (?:stops?|dives?|diving|computer|obligation|limits?|time|schedule|plan)
(?:for|of) (?:all )?(?:your|the) help
(?:happy|glad|able|want|love) to help
(?:no|not an?|isnt an?|any) (?:big|serious|real|huge|major|bad) problems?
no need to panic|panic (?:button|over)
(?:has|have|if|when|whenever) something (?:has |bad )?happened
separated from <own><thing>
can (?:i|we) help
<refusal>
out (?:\| )+cold
how (?:do|can|does) \w+ (?:get |ask for |call for )?help
if (?:you|they|we) need (?:any )?help
help (?:page|line|text|desk|with (?:the |this |my )?(?:form|app|plan|page|link|text|login|code))
"""

_TROUBLE_LINES = r"""
missing
(?:lost|losing)(?! property)
(?:cant|couldnt|could not|unable to|havent|have not|didnt|did not) (?:find|found|see|locate|spot)
nobody can (?:find|see|reach)
(?:cant|couldnt|could not|unable to) (?:reach|contact|get hold of|wake|rouse|lift|hold) <person>
cant (?:breathe|move|swim|feel|exit|get (?:out|back|in|ashore|up|free|\w+ (?:out|back|ashore|up)))
unable to (?:get|exit)
(?:too \w+|impossible) to (?:get (?:out|ashore)|exit|come ashore)|too (?:tired|exhausted|weak) to swim
no (?:sign|trace) of
(?:not|isnt|wasnt|arent|doesnt|didnt|wont|stopped|stops|hardly|barely|struggling|struggles|cant|without) <w2><breath>
dont <breath>
(?:trouble|difficulty|short of|out of|no) breath(?:ing)?
breathing (?:badly|problems?|trouble|difficult\w*|hard)
(?:out of|no|ran out of|run out of|running out of|without) (?:any |more )?(?:air|gas|oxygen|o2)
(?:air|gas) (?:is |has )?(?:gone|ran out|run out|finished)
uncon(?:s|ci)\w*|unresponsive|no (?:pulse|response)
not (?:cons?c?i?ous|responsive|ok|alright|all right)
(?:we|they|i|he|she) (?:are |am |is )?(?:not|isnt|arent) (?:all )?safe(?! to\b)|(?:hes|shes) not safe(?! to\b)
(?:not|isnt|wasnt|arent|doesnt|dont|didnt|wont|cant) (?:wak(?:e|ing)|respond(?:ing)?|react(?:ing)?|mov(?:e|ing))
(?:passed|knocked) out|black(?:ed)? ?out|out cold|collapsed?|fainted|seizures?|convuls\w+
heart attack|cardiac|a stroke|chest pains?|cpr
drown\w*|drowing|sinking
blue lips|lips (?:are |have |gone |going |turning |look )*blue|(?:turning|gone|going) blue
injur\w+|hurts?|wounded|bleed\w*|blood
broken? (?:his |her |my |a )?(?:arm|leg|ankle|wrist|back|neck|hip)
(?:is|are|got|am|be|been|feels?|possibly|probably) bent
bends|dcs|dci|decompression|recompression|embolism|hyperbaric
\Abent\Z|tingling|pins and needles|dizzy|dizziness|vertigo|numb (?:legs?|arms?|side)
(?:legs?|arms?|face|side) (?:is |are |feels? |gone |going |all |totally |completely )*numb
(?:missed|skipped) (?:deco|(?:a |the |our |his |her )?stops?)
(?:rapid|uncontrolled) ascent
hypotherm\w*|paraly[sz]\w+
stuck|trapped|entangled|tangled|snagged|swept|drifting|separated
caught (?:up )?in <any>(?:currents?|rips?|riptide|surf|waves?|swell|tide|undertow|nets?|lines?|ropes?|kelp)
in (?:a|the) (?:(?:strong|bad|nasty) )?(?:rip|riptide|undertow)(?! off)
(?:hit|struck|run over|ran over) by <any>(?:boat|speedboat|jetski|jet ski|ship|ferry|wave|propell?er|prop|rocks?)
(?:fell|fallen|slipped) (?:on|onto|from|off|down) <any>(?:rocks?|cliffs?|ladder|steps|stairs)
(?:boat|speedboat|jetski|jet ski|ship|ferry|wave|propell?er) (?:has |just )?(?:hit|struck|ran over|run over) <victim>
(?:currents?|tide|rip|riptide|surf|sea|waves?) (?:has |have |just )?(?:took|taken|carried|dragged) <taken>
(?:hit|banged|cracked) (?:his|her|my) head
(?:washed|carried) (?:away|off|out)
(?:hasnt|havent|has not|have not|didnt|did not|never) (?:yet )?(?:surfaced?|turned up|c[oa]me (?:up|back|out))
<person> (?:has |have |is )?not (?:yet )?surfaced
<named> (?:has |have |is )?(?:still )?not (?:yet )?(?:surfaced|come (?:back )?up)
(?:only|just) (?:\d|i|me) (?:of (?:us|them) )?(?:has |have )?(?:surfaced|(?:came|come) (?:up|out|back))
(?:buddy|buddies|partner|divers?|student|husband|wife|son|daughter) (?:is |has |have )?gone(?= (?:under|down)\b| *$)
nobody (?:has )?(?:yet )?(?:surfaced|turned up|c[oa]me (?:up|back|out))(?! to\b)
in (?:a )?(?:(?:very|really|severe|terrible|great|serious) )?(?:shock|pain|agony|coma|peril|panic)
in (?:a )?(?:(?:very|really) )?bad (?:way|shape)
in (?:arrest|resus|intensive care)
we have (?:got )?a problem(?! with\b)|(?:big|serious|real|huge|major|bad) problems?(?! with\b)
somethings? (?:(?:is|has|really|very|bad|terrible|awful|serious) )*happened
trouble|difficult(?:y|ies)|distress|danger
panic(?:k\w+)?
accident|pan pan
(?:sos|may ?day|help|emergency)+|s+o+s(?:s*o+s)*s*|s0s|h+e*l+p+|hlep|hepl|halp
\A(?:sps|s9s|sls|sosd|soas|sods|spos|sops|aos|soa|sso)\Z
eme?r?g(?:e|a|i)?n?[cs]?e?y
(?:rescue|save) (?:us|me|him|her|them)|come and (?:help|rescue)
\A(?:raise |sound )?(?:the |an )?alarm\Z
\A(?:999|112|911)\Z
\A(?:very )?urgent(?:ly)?(?= (?:help|need|we|i|us|come|call)\b|\Z)|urgent\Z
(?:dont know|no idea) where (?:we|i) (?:are|am)\b
dead|died|dying|death
ambulance|paramedics?|lifeboat|helicopter|defib\w*
(?:call|phone|ring|send|needs?|alert) (?:the |an? )?(?:coastguard|rescue|999|112|911|police|doctor|medic)
needs? (?:some )?(?:oxygen|o2|assistance)|send (?:the |a )?boat
(?:rescue|assistance|oxygen|doctor|medic) (?:is )?(?:needed|required)
worried|worrying
overdue
(?:something|somethings|gone|went|going|badly) (?:is )?(?:badly |very |really )?wrong
"""


_NO_LONGER = (
    (re.compile(r"\bcan no longer\b"), "cant"),
    (re.compile(r"\bno longer\b"), "not"),
)
_NEGATED = re.compile(rf"\b{_NOT_SO}\b")
_ABOUT_THINGS = any_of(
    _HARMLESS_LINES,
    movable=f"{_NOT_AT}<own>{_MOVABLE}",
    been=_BEEN,
    after=_AFTER_LOST,
    thing=_THING,
    own=_OWN,
    refusal=_REFUSAL,
)
_HARMLESS = re.compile(rf"\b{_ABOUT_THINGS}\b")
_ANY = "(?:(?:a|an|the|some|my|strong|rip|big|bad|huge|heavy|fishing) ){0,3}"
_VICTIM = f"(?:us|me|{_PERSON})"
# Not "took ages", nor "took my fin".
_OTHER = r"(?!(?:an?|the|my|our|his|her|their|your|some|that|this|it|all|long|longer|ages|so|too|away|hard)\b)[a-z]\w+"
_NAMED = r"(?!(?:we|i|are|am|is|has|have|still|and|but|or)\b)\w+"
_ALL_TROUBLE = any_of(
    _TROUBLE_LINES,
    person=_PERSON,
    victim=_VICTIM,
    taken=f"(?:{_VICTIM}|{_OTHER})",
    named=_NAMED,
    w2=_UP_TO_TWO,
    breath=_BREATH,
    any=_ANY,
)
_TROUBLE = re.compile(rf"\b{_ALL_TROUBLE}\b")


_WAS_WORRIED = re.compile(r"\b(?:was|had been) (?:(?:so|very|really|quite|just|getting|a|bit|all|too) ){0,3}worried\b")


def was_only_worried(text: Typed) -> bool:
    """Say whether its only word of trouble is that somebody was worried, as many write once it is over."""
    return has_trouble(text) and not has_trouble(typed(_WAS_WORRIED.sub("-", " ".join(text.original.lower().split()))))


def has_trouble(text: Typed) -> bool:
    """Say whether there is a word of trouble in the text that is not denied or about a mere thing."""
    words = undenied(text.clauses)
    if has_trouble_abroad(words):
        return True
    for phrase, same in _NO_LONGER:
        words = phrase.sub(same, words)
    left = _HARMLESS.sub(" - ", _NEGATED.sub(" - ", words))
    return _TROUBLE.search(with_same_phrases(left.replace(BREAK, " "))) is not None
