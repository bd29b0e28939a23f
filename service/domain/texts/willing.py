"""An answer to an alarm in a contact's own words: that they go there, call the divers, or take it on themselves.

It stops the search for a next contact, so it is only what nobody could mean otherwise, as a whole text, in the five
languages of ours. What somebody could do, would do or may do later is none of it, nor is whatever is denied or asked.
"""

from __future__ import annotations

import re

from service.domain.texts.intent import Intent, Kind
from service.domain.texts.numbers import take_reference
from service.domain.texts.table import any_of
from service.domain.texts.typed import Typed, folded

_IN_SO_LONG = r"(?:(?:in|en|dans|tra|fra) )?(?:about )?\d{1,2} ?(?:m|min|mins|minutes?|minuten|minutos|minuti)"

_WILL = "(?:i will|ill|we will|well|i am going to|we are going to)"
_AM = "(?:i am|we are)"
_THEM = "(?:them|him|her|both|the divers?|the party)"
_RESCUE = "(?:rescue|the coastguard|coastguard|999|112|911|the lifeboat|emergency services)"
_THERE = (
    "(?:there|over there|down there|to (?:the )?(?:beach|site|dive site|shore|slip|slipway|water|coast|cove|bay"
    "|car park|harbour|harbor|pier)|to (?:look|check)(?: for them)?|down|over)"
)
_ENGLISH = any_of(
    r"""
(?:<am> )?on (?:my|our) way(?: <there>)?
<am> on the way(?: <there>)?
(?:<am> )?en route(?: <there>)?
<am> coming(?: <there>)?
(?:<am> )?(?:driving|heading|walking|running|cycling|going|rushing|setting off|setting out) <there>
(?:<am> )?(?:setting off|setting out|heading out|heading off)
<will> (?:drive|head|walk|run|cycle|come) <there>
<will> go(?: <there>)?
(?:<am> )?(?:going|off) (?:to|and) (?:look|have a look|take a look|check|search)(?: (?:for|on) <them>)?
<will> (?:go (?:to |and )?)?(?:look|have a look|take a look|check|search)(?: (?:for|on) <them>)?
(?:<am> )?(?:calling|phoning|ringing) (?:<them>|<rescue>)
(?:<am> )?trying to (?:call|phone|ring|reach|get hold of) <them>
<will> (?:call|phone|ring) (?:<them>|<rescue>)
<will> (?:deal with|handle|take|see to|take care of) (?:it|this|that)(?: from here)?
(?:<am> )?(?:dealing with|handling|seeing to|taking care of) (?:it|this)
<am> acting(?: on it)?|<am> on to it
leave it (?:to|with) (?:me|us)
(?:<will> |will )?be there (?:soon|<long>)
""",
    am=_AM,
    will=_WILL,
    there=_THERE,
    them=_THEM,
    rescue=_RESCUE,
    long=_IN_SO_LONG,
)

_GERMAN = any_of(
    r"""
(?:(?:ich )?bin |wir sind )?(?:<soon> )?unterwegs(?: <there>)?
(?:(?:ich )?bin |wir sind )?(?:<soon> )?auf dem weg(?: <there>)?
(?:ich )?(?:fahre?|gehe?|laufe?|komme?|radle) (?:<soon> )?(?:<there>|los|hin|vorbei)
wir (?:fahren|gehen|laufen|kommen) (?:<soon> )?(?:<there>|los|hin|vorbei)
(?:ich )?(?:gehe?|fahre?) (?:<soon> )?(?:nachsehen|nachschauen|suchen)
(?:ich )?(?:sehe?|schaue?) (?:<soon> )?nach
(?:ich )?(?:rufe?) (?:<soon> )?<them> (?:<soon> )?an
(?:ich )?rufe? (?:<soon> )?(?:die )?(?:rettung|kustenwache|kuestenwache|seenotrettung|112)(?: an)?
(?:ich )?versuche? (?:<soon> )?<them> zu erreichen
ich (?:kummere|kuemmere) mich (?:<soon> )?(?:darum|drum)
ich (?:ubernehme?|uebernehme?)(?: das| es)?|ich mache? das
wir (?:ubernehmen|uebernehmen)(?: das| es)?|wir (?:kummern|kuemmern) uns (?:darum|drum)
""",
    soon="(?:jetzt|sofort|gleich|schon|nun|direkt)",
    there="(?:dahin|dorthin|hin|runter|ruber|rueber|(?:zum|an den|zu dem) (?:strand|platz|tauchplatz|hafen|steg)"
    "|(?:zum|ans|an das) (?:ufer|wasser|meer))",
    them="(?:ihn|sie|beide|die taucher|den taucher|die taucherin)",
)

_FRENCH = any_of(
    r"""
jy (?:vais|cours|file|fonce)(?: <soon>)?|nous y allons(?: <soon>)?
(?:(?:je suis|nous sommes) )?(?:deja )?en (?:route|chemin)(?: <there>)?
jarrive(?: <soon>)?|nous arrivons(?: <soon>)?
(?:je pars|je vais|je roule|je file|je fonce|nous partons|nous allons) (?:<soon> )?<there>
je pars(?: <soon>)
je vais (?:<soon> )?(?:voir sur place|verifier sur place|(?:le|la|les) chercher)
je (?:lappelle|les appelle|lui telephone|leur telephone)(?: <soon>)?
jappelle <rescue>(?: <soon>)?
jessa(?:ie|ye) de (?:le|la|les) (?:joindre|appeler)|jessa(?:ie|ye) de lappeler
je (?:men occupe|men charge|gere|prends en charge)(?: <soon>)?|(?:nous nous en occupons|on sen occupe)
""",
    soon="(?:maintenant|tout de suite|de suite|immediatement)",
    there="(?:la bas|sur place|a la plage|au bord|a la cale|au port|sur le site|au site|vers la plage|vers le site)",
    rescue="(?:les secours|le 112|le 196|le cross)",
)

_SPANISH = any_of(
    r"""
(?:ya )?voy(?: <soon>)?(?: <there>)?|vamos(?: <soon>)? <there>
(?:(?:estoy|estamos|voy|vamos) )?(?:ya )?en camino(?: <there>)?
salgo (?:<soon>|<there>|<soon> <there>)
voy(?: <soon>)? a (?:mirar|comprobar|comprobarlo|buscar<them>)
(?:(?:ya|yo) )?(?:le|la|lo|les|los|las) (?:llamo|estoy llamando)(?: <soon>| yo)?
(?:estoy )?llamando<them>(?: <soon>)?
(?:llamo|estoy llamando|voy a llamar)(?: <soon>)? <rescue>(?: <soon>)?
voy(?: <soon>)? a llamar<them>(?: <soon>)?
(?:yo )?me (?:encargo|ocupo)(?: yo| de ello| de eso)?|(?:yo )?me hago cargo|nos encargamos|nos ocupamos
""",
    soon="(?:ya|ahora|ahora mismo|ya mismo|enseguida)",
    there="(?:para alla|para alli|hacia alla|hacia alli|alla|alli|a la playa|al sitio|al lugar|a la costa|al puerto)",
    them="(?:le|lo|la|les|los|las)",
    rescue="(?:a rescate|a emergencias|a salvamento|al 112)",
)

_ITALIAN = any_of(
    r"""
(?:ci )?vado(?: io)?(?: <soon>)?(?: <there>)?|andiamo(?: <soon>)? <there>
(?:ci )?(?:sto|stiamo) (?:andando|arrivando)(?: <soon>)?(?: <there>)?
arrivo(?: io)?(?: <soon>)?|arriviamo(?: <soon>)?
(?:(?:sono|siamo) )(?:gia )?(?:per strada|in viaggio|in cammino)(?: <there>)?
vado(?: <soon>)? a (?:vedere|controllare|cercar<them>)
(?:lo|la|li|le|gli) (?:chiamo|sto chiamando)(?: io)?(?: <soon>)?
(?:chiamo|sto chiamando)(?: <soon>)? (?:<rescue>|lui|lei|loro)(?: <soon>)?
provo a (?:chiamar|contattar)<them>
(?:me ne occupo|ci penso|faccio)(?: io)|me ne occupo(?: <soon>)?|ci penso io|ci pensiamo noi|ce ne occupiamo(?: noi)?
""",
    soon="(?:subito|adesso|ora|immediatamente)",
    there="(?:la|li|sul posto|in spiaggia|alla spiaggia|al sito|al mare|al porto|a riva)",
    them="(?:lo|la|li|le|gli)",
    rescue="(?:i soccorsi|il 112|la guardia costiera)",
)

_BEGINS = (
    "(?:ok|yes|yep|yeah|sure|right|alright|all right|got it|understood|roger|will do|received"
    "|ja|jawohl|klar|gut|alles klar|verstanden|geht klar"
    "|oui|daccord|dac|entendu|compris|bien recu|recu"
    "|si|vale|de acuerdo|entendido|recibido|claro"
    "|va bene|daccordo|ricevuto|capito|certo)"
)
_ENDS = f"(?: (?:right away|straight away|straightaway|immediately|at once|asap|right|then|{_IN_SO_LONG}))?"
_ONE = f"{_ENGLISH}|{_GERMAN}|{_FRENCH}|{_SPANISH}|{_ITALIAN}"
# "I'll call them and drive there": what they will do as well.
_AS_WELL = rf"(?:go|drive|head|walk|run) {_THERE}|(?:look|check)|(?:call|phone|ring) (?:{_THEM}|{_RESCUE})"
_MORE = rf"(?: (?:and (?:then )?(?:{_AS_WELL})|(?:(?:and|then|und|dann|et|puis|y|luego|e|poi) )*"
_WILLING = re.compile(rf"(?:{_BEGINS} )*(?:{_ONE}){_ENDS}{_MORE}(?:{_ONE})){_ENDS}){{0,2}}")


def read_willing(text: Typed) -> Intent | None:
    """Read a contact's own words for OK, with or without an OK before them; of divers it is no word about an alarm."""
    words, reference = take_reference(text.words)
    return Intent(kind=Kind.OK, ref=reference, willing=True) if _WILLING.fullmatch(folded(words)) else None
