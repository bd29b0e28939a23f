"""Words of trouble in a text that is none of the forms.

A false alarm costs a walk to the beach, a missed one a life; so what is doubtful raises. What people write every week without meaning
trouble (lost fins, no problem, nobody missing) is taken out first, and only then is trouble looked for.
"""

from __future__ import annotations

import re

from service.domain.texts.typed import Typed

_THING = (
    r"(?:signal|reception|coverage|connection|service|wifi|internet|data|phones?|mobile|battery|power|charge|password|code"
    r"|numbers?|texts?|messages?|links?|pages?|plan|email|app|mask|masks|fins?|torch|torches|lights?|lamp|weights?|weightbelt|belt"
    r"|knife|camera|gopro|reels?|smb|dsmb|buoy|gloves?|hood|boots?|booties|snorkel|computer|watch|compass|slate|keys?|car|van|bag"
    r"|gear|kit|time|count|interest|site|slip|slipway|path|parking|entry|exit|place|sign|shop|tide tables?|anything|things?"
    r"|much|bottom|vis|visibility|wallet|glasses|sock|socks|hat|towel|filter|button|cable|charger)"
)
_OWN = (
    r"(?:(?:a|an|the|my|our|his|her|their|your|some|1|any|of|another|both|new|old|car|left|right|dive) ){0,3}"
)

_HARMLESS = tuple(
    re.compile(pattern)
    for pattern in (
        # Said not to be so.
        r"\b(?:not|no|nobody|nothing|none|never|isnt|arent|wasnt|dont|havent|hasnt|without|avoid)"
        r"(?: (?:is|are|was|has|have|been|be|a|an|any|1|really|in|of|us|got|get|need|for|to|more|there|send|call|the))*"
        r" (?:missing|lost|hurt|injured|injur\w+|harmed|troubles?|difficult\w*|distress|danger|bent|drown\w*|bleeding|stuck|trapped"
        r"|accidents?|emergency|sos|mayday|help|rescue|ambulance|worr\w+|panic\w*|unconscious|bends|dcs|dci|overdue"
        r"|coastguard|lifeboat)\b",
        r"\bno breathing (?:problems?|trouble)\b",
        r"\bno (?:trouble|problems?|difficulty) breathing\b",
        # About a thing and not a person.
        rf"\b(?:lost|losing) {_OWN}{_THING}\b(?! and (?!{_OWN}{_THING}\b))",
        rf"\bdead {_THING}\b",
        r"\blost track of (?:the )?time\b",
        r"\blost (?:about |some |a )?(?:few )?(?:\d+ ?)?(?:h|hours?|m|min|mins|minutes?|time)\b",
        rf"\b(?:cant|couldnt|could not|unable to|didnt|did not|havent|have not) (?:find|see|locate|reach|found) {_OWN}{_THING}\b",
        rf"\b(?:no sign|cant get hold) of {_OWN}{_THING}\b",
        rf"\bmissing (?:you|out|{_OWN}{_THING})\b",
        rf"\b{_OWN}{_THING} (?:(?:is|are|was|has|have|gone|went) )*(?:missing|lost|dead|died|dying|stuck|not responding)\b",
        rf"\bwrong with {_OWN}{_THING}\b",
        rf"\btrouble (?:parking|finding|with) ?{_OWN}(?:{_THING}\b)?",
        r"\b(?:ears?|sinus(?:es)?|feet|head|back|knees?) (?:is |are )?hurts?\b",
        # Everyday talk.
        r"\bdont (?:worry|panic)\b",
        r"\bby accident\b",
        r"\bstuck (?:in|at|on|behind) (?:the |a )?(?:\w+ )?(?:traffic|jam|queue|work|home|office|tractor|lorry|car park|gate)\b",
        r"\bemergency (?:is )?(?:contacts?|numbers?|phone|over|exit|plan|kit|drill|cancelled|card|weights?)\b",
        r"\bdecompression (?:stops?|dives?|diving|computer|obligation|limits?|time|schedule|plan)\b",
        r"\b(?:for|of) (?:all )?(?:your|the) help\b",
        r"\b(?:happy|glad|able|want|love) to help\b",
        r"\bcan (?:i|we) help\b",
        r"\bhow (?:do|can|does) \w+ (?:get |ask for |call for )?help\b",
        r"\bif (?:you|they|we) need (?:any )?help\b",
        r"\bhelp (?:page|line|text|desk|with (?:the |this |my )?(?:form|app|plan|page|link|text|login|code))\b",
    )
)

_PERSON = (
    r"(?:(?:my|our|a|an|the|his|her|their|1|2|3|of|other|dive|missing) ){0,3}"
    r"(?:him|her|them|someone|somebody|anyone|anybody|everyone|diver|divers|buddy|buddies|partner|friend|husband|wife|son"
    r"|daughter|dad|mum|father|mother|brother|sister|instructor|student|lad|girl|boy|man|woman|guy|group|team|party|pair|other)"
)

_TROUBLE = re.compile(
    r"\b(?:"
    + "|".join(
        (
            r"missing",
            r"(?:lost|losing)(?! (?:and|but|property))",
            r"(?:cant|couldnt|could not|unable to|havent|have not|didnt|did not) (?:find|found|see|locate|spot)",
            rf"(?:cant|couldnt|could not|unable to) (?:reach|contact|get hold of|wake|rouse|lift|hold) {_PERSON}",
            r"cant (?:breathe|move|swim|get (?:out|back|in|ashore|up|free|\w+ (?:out|back|ashore|up)))",
            r"cant feel",
            r"unable to get",
            r"no (?:sign|trace) of",
            r"(?:not|isnt|aint|stopped|stops|hardly|barely|trouble|difficulty|struggling|struggles|cant|no|without)"
            r" (?:\w+ ){0,2}breath(?:e|ing|es)?",
            r"(?:short of|out of|no) breath",
            r"breathing (?:badly|problems?|trouble|difficult\w*|hard)",
            r"(?:out of|no|ran out of|run out of|running out of|without) (?:any |more )?(?:air|gas|oxygen|o2)",
            r"(?:air|gas) (?:is |has )?(?:gone|ran out|run out|finished)",
            r"(?:unconscious\w*|unresponsive|not (?:conscious|responding|responsive|moving|ok|alright|all right)|no pulse|no response)",
            r"(?:passed|knocked) out|blacked? ?out|collapsed?|fainted|seizures?|convuls\w+|heart attack|cardiac|a stroke|chest pains?",
            r"drown\w*|cpr|blue lips|lips (?:are |have |gone |going |turning |look )*blue|(?:turning|gone|going) blue",
            r"nobody can (?:find|see|reach)|sinking",
            r"injur\w+|hurt|hurts|wounded|bleed\w*|blood|broken? (?:his |her |my |a )?(?:arm|leg|ankle|wrist|back|neck|hip)",
            r"(?:is|are|got|am|be|been|feels?|possibly|probably) bent|the bends|bends|skin bend|dcs|dci",
            r"decompression|recompression|embolism|hyperbaric|(?:missed|skipped) (?:deco|(?:a |the |our |his |her )?stops?)",
            r"rapid ascent|uncontrolled ascent",
            r"hypotherm\w*|paraly[sz]\w+",
            r"stuck|trapped|entangled|tangled|snagged|swept|drifting|washed (?:away|off|out)|carried (?:away|off|out)",
            r"(?:hasnt|havent|has not|have not|didnt|did not|never) (?:yet )?(?:surfaced?|come (?:up|back|out)|came (?:up|back|out)|turned up)",
            r"trouble|difficult(?:y|ies)|distress|danger",
            r"panick\w+",
            r"accident|emergency|sos|mayday|pan pan",
            r"(?:dead|died|dying|death)",
            r"ambulance|paramedics?|lifeboat|helicopter|defib\w*",
            r"(?:call|phone|ring|send|need|needs|alert) (?:the |an? |some )?"
            r"(?:coastguard|rescue|999|112|911|police|doctor|medic|oxygen|o2|assistance)|send (?:the |a )?boat",
            r"(?:rescue|assistance|oxygen|doctor|medic) (?:is )?(?:needed|required)",
            r"help",
            r"worried|worrying",
            r"overdue",
            r"(?:something|somethings|gone|went|going|badly) (?:is )?(?:badly |very |really )?wrong",
        )
    )
    + r")\b"
)


def has_trouble(text: Typed) -> bool:
    """Say whether the text has a word of trouble in it that is not taken back or about a mere thing."""
    words = text.words
    for pattern in _HARMLESS:
        words = pattern.sub(" - ", words)
    return _TROUBLE.search(words) is not None
