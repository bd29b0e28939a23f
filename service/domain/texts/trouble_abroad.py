"""Words of trouble in the other languages that our texts are written in, wherever they come from.

Whoever is told in their own language what to text (OUT, SOS) still cries in it. As in English what is doubtful raises;
what is denied ("kein Notfall", "pas besoin d'aide") or lost and a mere thing is taken out first, within its clause.
Accents count for nothing, since half of all phones leave them out, and neither do apostrophes. A word that a diver or
a contact writes in calm English ("in not", "rescue", "bless") is in no table.
"""

from __future__ import annotations

import re

from service.domain.texts.table import any_of
from service.domain.texts.typed import BREAK, folded

_GERMAN_THING = any_of(r"""
maske|brille|flossen?|lampe|tauchlampe|blei|bleigurt|gurt|messer|kamera|boje|handschuhe?|haube|computer|uhr
schlussel|auto|handy|telefon|akku|empfang|netz|signal|tasche|parkplatz|einstieg|ausstieg|zeit|sicht
""")
_GERMAN = any_of(
    r"""
in (?:(?:grosser?n?|ernsten|akuter|hochster|hoechster) )?(?:schwierigkeiten|bedrangnis|bedraengnis)
in (?:grosser|akuter|hochster|hoechster) not|ohnmacht|unterkuhl\w+|unterkuehl\w+
hi+l+fe+|hlfe|hilf(?: mir| uns)?|rettet (?:uns|mich)|helft(?: uns| mir)?|notfall|notruf|seenot|notarzt|krankenwagen
lebensgefahr|gefahr|panik
(?:ich bin|wir sind|er ist|sie ist|sie sind|taucher(?:in)?) in not|\A(?:bin |sind )?in not\Z
(?:ruf(?:t|en)?|hol(?:t|en)?|schick(?:t|en)?|brauch(?:e|en|t)) (?:(?:bitte|die|den|einen) )*<rescue>|<rescue> rufen
ruft? (?:die )?112|\Aholt uns(?: (?:hier )?(?:raus|heraus))?\Z|\Akommt (?:sofort|schnell)|\A(?:sofort|schnell) kommen
\A(?:alarm|dringend|uberfallig|ueberfallig|tot|panik)\Z|(?:sind|ist) (?:uber|ueber)fallig
(?:partner(?:in)?|buddy|tauchpartner(?:in)?|taucher(?:in)?) (?:(?:ist|sind) )?weg\Z|(?:sind|wurden) getrennt
getrennt worden
(?!<thing>\b)\w+ (?:noch )?nicht (?:mehr )?gefunden
(?:komme|kommen) nicht (?:mehr )?(?:raus|heraus|an land|ans (?:land|ufer)|zum ufer)
(?:kann|konnen|koennen) nicht (?:mehr )?(?:raus|heraus|hoch|an land|ans ufer|zuruck|zurueck)
(?:bein|arm|fuss|knochel|rucken|genick) (?:ist )?gebrochen|ab?gesturzt|ab?gestuerzt|gesturzt|gestuerzt
sterben?\b|stirbt|(?:wir|ich) treiben?\b|mitgerissen|weggespult|stromung (?:zieht|treibt|reisst) (?:uns|mich|ihn|sie)
(?:in|von) der stromung (?:gefangen|erfasst)|brustschmerzen|schmerzen in der brust|kribbeln|gelahmt|gelaehmt|lahmung
verheddert|(?:vom|von einem) boot (?:getroffen|erfasst|uberfahren|angefahren)|bootsunfall
vermiss(?:t|en)|verschwunden|verloren(?! gegangen)
(?!(?:nichts|niemand|keiner|es|mir|uns|da|<thing>)\b)\w+ fehl(?:t|en)
fehl(?:t|en) (?:(?:noch|mir|uns|ein|eine) )*(?!(?:noch|mir|uns|nichts|niemand|minuten|\d+|<thing>)\b)\w+\b(?! <thing>)
ertr(?:inkt|inken|unken|ank|anken)|untergegangen
bewusstlos\w*|ohnmachtig|ohnmaechtig|kollabiert|reagiert nicht
verletz\w+|unfall|blutet|blutung|herzinfarkt|schlaganfall|dekounfall|dekokrankheit
atmet (?:\w+ )?nicht|nicht (?:mehr )?atmen|keine atmung|kein puls|atemnot|(?:keine|ohne) luft|kein gas
luft (?:ist )?(?:alle|leer|aus|weg)
nicht (?:wieder |mehr )?(?:aufgetaucht|hochgekommen|zuruckgekommen|zurueckgekommen|rausgekommen)
(?:finde|finden|sehe|sehen) (?!(?:\w+ )?<thing>)(?:\w+ ){1,2}nicht
(?:kann|konnen|koennen) (?!(?:\w+ )?<thing>)(?:\w+ ){1,2}nicht (?:mehr )?(?:finden|sehen|wecken|atmen|schwimmen|halten)
eingeklemmt|festgeklemmt|verfangen|(?:steck(?:e|t|en)|hang(?:e|t|en)) fest(?! (?:im|i am)\b)|abgetrieben
treib(?:t|en) ab
(?:ist|sind) tot
""",
    thing=_GERMAN_THING,
    rescue=r"(?:(?:wasser|seenot|berg)?rettung|arzt|notarzt|kustenwache|kuestenwache|feuerwehr|polizei)",
)
_FRENCH_THING = any_of(r"""
masque|palmes?|lampes?|plombs?|ceinture|couteau|camera|tuba|gants?|cagoule|montre|ordinateur|cles?|telephone
reseau|signal|batterie|sac|voiture|place|parking|temps|bouee|sortie|entree
visi|visibilite|lumiere|courant
""")
_FRENCH_ITS = "(?:(?:un|une|le|la|les|l|mon|ma|mes|notre|nos|son|sa|ses|de|du|d|des) )*"
_FRENCH = any_of(
    r"""
en (?:grande? )?(?:difficultes?|peril|panique)|hypothermie
au secours?|\Asecours?\Z|\Aaide\Z|sauvez (?:nous|moi)|a l ?aide|aidez(?: moi| nous)?|aide moi|besoin d ?aide|urgence
\A(?:tres )?urgent\Z|detresse|noyade
(?:appelez|appelle) (?:le |les )?(?:196|112|114|15|17|18|samu|cross)|venez (?:tres )?vite|venez nous aider
(?:est|sommes|ete) separee?s|\Aseparee?s\Z|(?:jambe|bras|cheville|poignet) cassee?|\A(?:morte?|derive)\Z
(?:je|on|il|elle) (?:va |vais )?(?:coule|meurs|meurt|mourir)|paralysee?s?|(?:mal|douleurs?) (?:a|dans) la poitrine
pris(?:es?)? (?:dans|par) (?:(?:le|les|un|des) )*(?:courant|vagues?|rouleaux|filets?|ligne)|panique(?! pas)
impossible de (?:sortir|remonter)|(?:peu[tx]|pouvons|n?arriv(?:e|ons)) (?:pas|plus) (?:a )?(?:sortir|remonter|nager)
bloquee?s?(?! (?:dans|par|au|a)\b)|(?:touche|heurte|percute)e?s? par (?:(?:un|le|l) )?(?:bateau|jet ski|helice)
(?:appel(?:ez|le|er)|envoy(?:ez|er)|envoie|besoin) (?:(?:les|des|de|le|un|l) )*(?:secours|pompiers|medecin)|ambulance
disparue?s?|(?:il|nous) manque (?!<its><thing>|\d+ ?min)\w+
manque (?:une?|1|2|quelqu ?un)\b(?! <thing>)|manque a l ?appel
(?:est|sont) manquante?s?|perdue?s?(?! <its><thing>)
se noie(?:nt)?|noyee?s?|inconsciente?s?|evanouie?s?|sans connaissance|malaise|blessee?s?|saigne|du sang
(?:ne )?respire (?:\w+ )?(?:pas|plus|mal)|du mal a respirer|(?:plus|manque) d ?air|panne d ?air|plus de gaz|sans air
ne (?:reagit|repond|bouge) plus
(?:trouv|retrouv|vo[iy])(?:e|es|ent|ons|s|t) (?:pas|plus)(?! <its><thing>)
pas (?:encore )?(?:remontee?s?|revenue?s?|ressortie?s?|refait surface)
coincee?s?|emportee?s?|(?:on|nous) deriv\w+|a la derive|crise cardiaque|arret cardiaque|infarctus|(?:est|sont) morte?s?
""",
    its=_FRENCH_ITS,
    thing=_FRENCH_THING,
)
_SPANISH_THING = any_of(r"""
mascara|gafas|aletas?|linterna|foco|plomos?|cinturon|cuchillo|camara|tubo|guantes?|capucha|reloj|ordenador|llaves?
telefono|movil|senal|cobertura|bateria|bolsa|coche|sitio|aparcamiento|parking|tiempo|boya|salida|entrada
visibilidad|luz|corriente
""")
_SPANISH_ITS = "(?:(?:un|una|el|la|los|las|mi|mis|nuestro|nuestra|su|sus|de|del) )*"
_SPANISH = any_of(
    r"""
en (?:dificultad(?:es)?|parada)|hipotermia
ayuda(?:me|nos)?|ayudad(?:me|nos)|ayuden(?:me|nos)?|auxilio|socorro|emergencia|peligro|en apuros|panico|ambulancia
faltan? (?!<its><thing>|(?:\d+|unos|pocos) ?(?:m|min|minutos?|h|horas?)\b|poco|mucho|nada|nadie)\w+
desaparecid[oa]s?|ha(?:n)? desaparecido|perdid[oa]s?(?! <its><thing>)|perdimos (?!<its><thing>)\w+
(?:se )?ahog(?:a|an|ado|ada|ando)|inconscientes?|desmayad[oa]s?|sin conocimiento|herid[oa]s?|sangr(?:a|ando|e)
accidente|infarto|paro cardiaco|(?:esta|estan) muert[oa]s?|\Amuert[oa]s?\Z|\A(?:muy )?(?:urgente|urgencia)\Z
perdi a \w+|desaparecio|desaparecieron|(?:hemos )?separado\Z|(?:estamos|quedamos) separad[oa]s|\Aseparad[oa]s\Z
(?<!no )nos separamos|(?:pierna|brazo|tobillo|muneca) rot[oa]|dolor (?:en el|de) pecho|paralizad[oa]s?
no (?:salio|salieron|subio|subieron|sube|suben|volvio|volvieron)(?! <its><thing>)|me muero|nos morimos
(?:se|esta) muriendo
me ahogo|nos (?:ahogamos|hundimos)|salv(?:adnos|enos|adme|enme)|(?:vengan|venid) (?:ya|rapido)
(?:nos|me|lo|la|le|los) (?:arrastra|lleva|arrastro|llevo) (?:la |una )?(?:corriente|ola|resaca)
no (?:puedo|podemos|puede|pueden) (?:salir(?! (?:de casa|del trabajo|hoy)\b)|subir|respirar|nadar|mover\w*)
(?:llama|llamad|llamen) (?:al |a )?(?:112|061|091|062)|golpead[oa]s? por (?:un |una )?(?:barco|lancha|moto)
no (?:respira|respiran|reacciona|despierta|se mueve)|sin aire
no (?:me |nos )?(?:queda|tengo|tenemos|hay) (?:mas )?aire
no (?:lo |la |los |las |le |les )?(?:encuentro|encontramos|vemos|veo)(?! <its><thing>)
no ha(?:n)? (?:vuelto a )?(?:salido|salir|subido|subir|vuelto|aparecido)|no (?:aparece|aparecen)
atrapad[oa]s?|enganchad[oa]s?|arrastrad[oa]s?|a la deriva
(?:(?:llam|envi|mand)(?:a|ad|e|en)|necesit\w+) (?:(?:a|al|el|la|un|una) )*(?:rescate|salvamento|guardacostas|medico)
""",
    its=_SPANISH_ITS,
    thing=_SPANISH_THING,
)
_ITALIAN_THING = any_of(r"""
maschera|pinne|pinna|torcia|luce|piombi|piombo|cintura|coltello|fotocamera|boccaglio|guanti|cappuccio|orologio
computer|chiavi|chiave|telefono|cellulare|segnale|campo|batteria|borsa|macchina|auto|posto|parcheggio|tempo|boa|uscita
visibilita|corrente|connessione|rete
""")
_ITALIAN_ITS = "(?:(?:un|una|il|lo|la|i|gli|le|l|mio|mia|miei|mie|nostro|nostra|suo|sua|di|del) )*"
_ITALIAN = any_of(
    r"""
in (?:affanno|crisi|balia|arresto|ipotermia)|ipotermia
aiuto|aiutat(?:e|emi|eci)|aiutami|aiutaci|soccorso|emergenza|pericolo|in difficolta|panico|ambulanza
manca(?:no)? (?!<its><thing>|(?:\d+|pochi) ?(?:m|min|minuti|h|ore)\b|poco|molto|niente|nulla|nessuno)\w+
pers[oaie] (?!<its><thing>|\d|minuti|dieci|venti|qualche|molto|poco|la\b|il\b|lo\b|l\b|le\b|i\b|gli\b)\w+|\Apers[oaie]\Z
(?!<thing>\b)\w+ (?:si )?(?:e )?pers[oaie]\Z|non (?:risale|risalgono|riemerge|riemergono|riaffiora)
(?:ci siamo|si sono) separat[oaie]|\Aseparat[oaie]\Z|(?:gamba|braccio|caviglia|polso) rott[oa]|dolore? al petto
\Amort[oaie]\Z|(?:due|tre|uno) mort[oie]|(?:sto|sta|stiamo) (?:morendo|affondando)|muoio|malore|paralizzat[oaie]
non (?:riesc\w+|riusciamo|possiamo) (?:piu )?(?:ad? )?(?:uscire(?! (?:di casa|dal)\b)|risalire|emergere|nuotare)
(?:siamo|sono|rimast[oi]) bloccat[oaie](?! (?:nel|dal|in|al)\b)|\Abloccat[oaie]\Z|affog(?:o|a|ano|hiamo|ando|at[oaie])
venite (?:subito|presto)|chiam(?:a|ate) (?:il |lo )?(?:112|118|115|1530)|salvate(?:ci|mi)|\Aurgen(?:te|ti|za)\Z
in (?:fin di vita|rianimazione)|(?:ci|mi|lo|la|li) (?:trascina|porta via) (?:la )?corrente
investit[oaie] da (?:un ?)?\w+
dispers[oaie]|scompars[oaie]|(?:abbiamo|ho|hanno|si e|ci siamo) pers[oaie](?! <its><thing>| \d)
annega(?:no|to|ta|ti|ndo)?|svenut[oaie]|incoscient[ei]|privo di sensi|ferit[oaie]|sanguina|sangue
incidente|infarto|arresto cardiaco|(?:e|sono) mort[oaie]
non (?:respira|respirano|reagisce|si sveglia|si muove)|senza aria|aria (?:e )?finita|finit[oa] l ?aria
non (?:lo |la |li |le |riesco a |riusciamo a )?(?:trov|ved)(?:o|iamo|are|ere)(?:lo|la|li)?(?! <its><thing>)
non (?:e|sono|ha|hanno) (?:ancora )?(?:risalit[oaie]|riemers[oaie]|riaffiorat[oaie]|uscit[oaie]|tornat[oaie])
incastrat[oaie]|intrappolat[oaie]|impigliat[oaie]|trascinat[oaie]|alla deriva
(?:chiam(?:a|ate)|mand(?:a|ate)|servono|serve) (?:(?:i|il|la|un|dei|l) )*(?:soccorsi|guardia costiera|medico)
""",
    its=_ITALIAN_ITS,
    thing=_ITALIAN_THING,
)
_TROUBLE = re.compile(rf"(?:(?<=\s)|\A){any_of(f'{_GERMAN}|{_FRENCH}|{_SPANISH}|{_ITALIAN}')}(?!\w)")

_HARMLESS = re.compile(
    r"\b"
    + any_of(
        r"""
(?:<german> (?:\w+ )?verloren|<german> fehlt)
(?:fur|fuer) (?:die|deine|eure|ihre) hilfe
(?:de|pour) (?:votre|ton|l) aide|por (?:su|tu|la) ayuda
(?:per il|del) (?:suo|tuo|vostro) aiuto
(?:kein\w*|nicht|niemand|nichts|ohne)(?: (?:ist|sind|war|wird|mehr|in|der|die|den|eine?|braucht?|brauchen))* <noun>
(?:niemand|keiner|nichts|nix) (?:mehr )?fehlt
(?:i am|fur den|fuer den|bei einem) notfall|en cas d ?(?:urgence|accident)|en caso de <noun>|in caso di <noun>
(?:pas|plus d ?e?|aucune?|personne|sans|rien)(?: (?:ne|n|nest|na|est|sont|a|en|de|d|besoin|une?|l))* <noun>
(?:no|nadie|ningun\w*|sin|nada)(?: (?:hay|es|esta|estan|ha|hubo|hace|necesito|necesitamos|en|de|una?|se))* <noun>
(?:non|nessuno?|nessuna|senza|niente)(?: (?:c|e|ce|ho|abbiamo|serve|in|di|un[oa]?|si|bisogno|sono|siamo|ci|piu))* <noun>
""",
        german=_GERMAN_THING,
        noun=any_of(r"""
hilfe|notfall|unfall|gefahr|panik|getrennt|schwierigkeiten|ohnmacht|verletz\w+|vermisst|verschwunden|verloren|not
krankenwagen|notarzt
difficultes?|panique|peril
d ?aide|aide|d ?urgence|urgence|danger|accident|blesse\w*|disparu\w*|perdu\w*|manquant\w*|malaise|secours
bloque\w*|separe\w*|detresse|urgente?|urgenza|urgencia
dificultad(?:es)?|ayuda|emergencia|peligro|accidente|herid\w+|desaparecid\w+|perdid\w+|faltan?|panico|ambulancia|socorro
difficolta|crisi
aiuto|emergenza|pericolo|incidente|ferit\w+|dispers\w+|scompars\w+|pers[oaie]|manca(?:no)?|panico|soccorso|ambulanza
separat\w+|bloccat\w+|mort[oaie]|malore
"""),
    )
    + r"\b"
)


def undenied(clauses: str) -> str:
    """Words in clauses (see `Typed.clauses`) without accents, and without what is denied or a thing in a language."""
    return _HARMLESS.sub(" - ", folded(clauses))


def has_trouble_abroad(left: str) -> bool:
    """Whether what `undenied` leaves has a word of trouble in Spanish, French, German or Italian."""
    return _TROUBLE.search(" ".join(left.replace(BREAK, " ").split())) is not None
