"""Words of trouble in a text that is none of the forms.

A false alarm costs a walk to the beach, a missed one a life; so what is doubtful raises. What people write
every week without meaning trouble (lost fins, no problem, nobody missing) is taken out first, and only then
is trouble looked for.
"""

from __future__ import annotations

import re

from service.domain.texts.table import any_of
from service.domain.texts.typed import Typed

_THING = any_of("""
signal|reception|coverage|connection|service|wifi|internet|data|phones?|mobile|battery|power|chargers?|password
code|numbers?|texts?|messages?|links?|pages?|plan|email|app
masks?|fins?|torch(?:es)?|lights?|lamp|weights?|weightbelt|belt|knife|camera|gopro|reels?|smb|dsmb|buoy|gloves?
hood|boots?|booties|snorkel|computer|watch|compass|slate|gear|kit|filter|button|cable|glasses|socks?|hat|towel
keys?|car|van|bag|wallet|shop|site|slip|slipway|path|parking|entry|exit|place|sign
time|count|interest|anything|things?|much|bottom|vis|visibility
""")
_OWN = "(?:(?:a|an|the|my|our|his|her|their|your|some|1|any|of|another|both|new|old|car|left|right|dive) ){0,3}"
_PERSON = "(?:(?:my|our|a|an|the|his|her|their|1|2|3|of|other|dive|missing) ){0,3}" + any_of("""
him|her|them|someone|somebody|anyone|anybody|everyone|divers?|buddy|buddies|partner|friend|husband|wife|son
daughter|dad|mum|father|mother|brother|sister|instructor|student|lad|girl|boy|man|woman|guy|group|team|party|pair
""")

# Single words only in the repeated group: two ways to read the same words would make the search slow.
_NOT_SO = (
    r"(?:not|no|nobody|nothing|none|never|isnt|arent|wasnt|dont|havent|hasnt|without|avoid)"
    r"(?: (?:is|are|was|has|have|been|be|an?|the|any|1|really|more|there"
    r"|in|of|us|for|to|got|get|need|send|call))*"
    r" "
    + any_of(r"""
missing|lost|hurt|injured|injur\w+|harmed|troubles?|difficult\w*|distress|danger|bent|drown\w*|bleeding|stuck
trapped|accidents?|emergency|sos|mayday|help|rescue|ambulance|worr\w+|panic\w*|unconscious|bends|dcs|dci|overdue
coastguard|lifeboat
""")
)

_HARMLESS_LINES = r"""
no breathing (?:problems?|trouble)
no (?:trouble|problems?|difficulty) breathing
(?:lost|losing) <own><thing>\b(?! and (?!<own><thing>\b))
dead <thing>
lost track of (?:the )?time
lost (?:about |some |a )?(?:few )?(?:\d+ ?)?(?:h|hours?|m|min|mins|minutes?|time)
(?:cant|couldnt|could not|unable to|didnt|did not|havent|have not) (?:find|see|reach|found) <own><thing>
(?:no sign|cant get hold) of <own><thing>
missing (?:you|out|<own><thing>)
<own><thing> (?:(?:is|are|was|has|have|gone|went) )*(?:missing|lost|dead|died|dying|stuck|not responding)
wrong with <own><thing>
trouble (?:parking|finding <own><thing>|with <own><thing>)
(?:ears?|sinus(?:es)?|feet|head|back|knees?) (?:is |are )?hurts?
dont (?:worry|panic)
by accident
stuck (?:in|at|on|behind) (?:the |a )?(?:\w+ )?(?:traffic|jam|queue|work|home|office|tractor|car park|gate)
emergency (?:is )?(?:contacts?|numbers?|phone|over|exit|plan|kit|drill|cancelled|card|weights?)
decompression (?:stops?|dives?|diving|computer|obligation|limits?|time|schedule|plan)
(?:for|of) (?:all )?(?:your|the) help
(?:happy|glad|able|want|love) to help
can (?:i|we) help
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
cant (?:breathe|move|swim|feel|get (?:out|back|in|ashore|up|free|\w+ (?:out|back|ashore|up)))
unable to get
no (?:sign|trace) of
(?:not|isnt|stopped|stops|hardly|barely|struggling|struggles|cant|without) (?:\w+ ){0,2}breath(?:e|ing|es)?
(?:trouble|difficulty|short of|out of|no) breath(?:ing)?
breathing (?:badly|problems?|trouble|difficult\w*|hard)
(?:out of|no|ran out of|run out of|running out of|without) (?:any |more )?(?:air|gas|oxygen|o2)
(?:air|gas) (?:is |has )?(?:gone|ran out|run out|finished)
unconscious\w*|unresponsive|no (?:pulse|response)
not (?:conscious|responding|responsive|moving|ok|alright|all right)
(?:passed|knocked) out|blacked? ?out|collapsed?|fainted|seizures?|convuls\w+
heart attack|cardiac|a stroke|chest pains?|cpr
drown\w*|sinking
blue lips|lips (?:are |have |gone |going |turning |look )*blue|(?:turning|gone|going) blue
injur\w+|hurts?|wounded|bleed\w*|blood
broken? (?:his |her |my |a )?(?:arm|leg|ankle|wrist|back|neck|hip)
(?:is|are|got|am|be|been|feels?|possibly|probably) bent
bends|dcs|dci|decompression|recompression|embolism|hyperbaric
(?:missed|skipped) (?:deco|(?:a |the |our |his |her )?stops?)
(?:rapid|uncontrolled) ascent
hypotherm\w*|paraly[sz]\w+
stuck|trapped|entangled|tangled|snagged|swept|drifting
(?:washed|carried) (?:away|off|out)
(?:hasnt|havent|has not|have not|didnt|did not|never) (?:yet )?(?:surfaced?|turned up|c[oa]me (?:up|back|out))
trouble|difficult(?:y|ies)|distress|danger
panick\w+
accident|emergency|sos|mayday|pan pan
dead|died|dying|death
ambulance|paramedics?|lifeboat|helicopter|defib\w*
(?:call|phone|ring|send|needs?|alert) (?:the |an? )?(?:coastguard|rescue|999|112|911|police|doctor|medic)
needs? (?:some )?(?:oxygen|o2|assistance)|send (?:the |a )?boat
(?:rescue|assistance|oxygen|doctor|medic) (?:is )?(?:needed|required)
help
worried|worrying
overdue
(?:something|somethings|gone|went|going|badly) (?:is )?(?:badly |very |really )?wrong
"""


_NEGATED = re.compile(rf"\b{_NOT_SO}\b")
_HARMLESS = re.compile(rf"\b{any_of(_HARMLESS_LINES, thing=_THING, own=_OWN)}\b")
_TROUBLE = re.compile(rf"\b{any_of(_TROUBLE_LINES, person=_PERSON)}\b")


def has_trouble(text: Typed) -> bool:
    """Say whether there is a word of trouble in the text that is not denied or about a mere thing."""
    words = _HARMLESS.sub(" - ", _NEGATED.sub(" - ", text.words))
    return _TROUBLE.search(words) is not None
