"""Words of trouble in the other languages of our texts: whoever is told in their language what to text cries in it."""

from __future__ import annotations

import pytest

from service.domain.texts import Kind, read
from service.domain.texts.site_code import code_clash
from tests.domain.test_texts_trouble import listed

GERMAN = """
Hilfe; HILFE!!; hilfe bitte; Wir brauchen Hilfe; Tom fehlt; Einer fehlt; es fehlt noch einer; Uns fehlt Tom
Notfall; Notruf; vermisst; Tom ist verschwunden; haben Tom verloren; Tom verloren; wir haben uns verloren
er ertrinkt; ertrunken; bewusstlos; Anna ist bewußtlos; ohnmächtig; verletzt; Jens hat sich verletzt; Unfall!
er atmet nicht; Tom atmet nicht mehr; keine Luft; Luft ist alle; kein Puls; er reagiert nicht; Herzinfarkt
Tom ist nicht aufgetaucht; nicht wieder aufgetaucht; finde Tom nicht; wir finden ihn nicht; kann Tom nicht finden
können ihn nicht mehr sehen; steckt fest; eingeklemmt; wurden abgetrieben; wir treiben ab; wir sind in Not
ruft die Rettung; brauche einen Arzt; Krankenwagen bitte; in Gefahr; Taucher in Not; nein, Hilfe; Nein. Tom fehlt
kein Problem, aber Tom fehlt; Maske verloren und Tom vermisst; OUT aber Tom fehlt
"""
FRENCH = """
au secours; AU SECOURS!!; Secours!; à l'aide; A l’aide; aidez-nous; aide-moi; besoin d'aide; on a besoin d'aide
urgence; Marc a disparu; disparu; il manque Marc; il manque quelqu'un; manque un plongeur; un plongeur est manquant
nous avons perdu Marc; perdu Marc; on est perdus; il se noie; noyé; noyade; inconscient; elle est inconsciente
évanoui; blessé; Anna est blessée; il saigne; il y a du sang
ne respire plus; il ne respire pas; il respire mal; plus d'air
panne d'air; manque d'air; accident; en danger; en détresse; on ne trouve pas Marc; on ne le trouve plus
je ne vois plus Marc; pas remonté; il n'est pas encore remonté; coincé; on dérive; à la dérive; crise cardiaque
appelez les secours; envoyez une ambulance; non, au secours; pas de problème, mais Marc a disparu
OUT mais il manque Marc
"""
SPANISH = """
ayuda; AYUDA!!; ¡Ayúdenme!; necesitamos ayuda; socorro; auxilio; emergencia; falta uno; falta Tomás; nos falta Ana
faltan dos; falta alguien; desaparecido; ha desaparecido; hemos perdido a Tomás; perdidos; se ahoga; ahogado
inconsciente; se ha desmayado; herido; Ana está herida; está sangrando; no respira; no reacciona; sin aire
no tenemos aire; no nos queda aire; no hay más aire; accidente
peligro; en apuros; no encontramos a Ana; no lo encuentro; no vemos a Tomás
no ha salido; no han salido; no aparece; atrapado; a la deriva; infarto; ambulancia; llamad a rescate; No, ayuda
sin problema, pero falta Ana; OUT pero falta uno
"""
ITALIAN = """
aiuto; AIUTO!!; aiutateci; abbiamo bisogno di aiuto; soccorso; emergenza; manca uno; manca Marco; mancano due
manca qualcuno; disperso; scomparso; abbiamo perso Marco; ci siamo persi; annega; sta annegando; svenuto
incosciente; privo di sensi; ferito; Anna è ferita; sanguina; non respira; non reagisce; senza aria; aria finita
incidente; pericolo; in difficoltà; non troviamo Marco; non lo trovo; non vedo Marco; non è risalito
non è uscito; non sono tornati; incastrato; alla deriva; infarto; ambulanza; chiamate i soccorsi; No, aiuto
nessun problema, ma manca Marco; OUT ma manca uno
"""

FROM_THE_WATER = """
in Not; Hilf; Hilf uns; HILFEE; Hiilfe; Hlfe; rettet uns; Partner weg; Buddy ist weg; Tom nicht gefunden
wir sind getrennt
wurden getrennt; kommen nicht raus; komme nicht an Land; können nicht raus; können nicht mehr zurück; Bein gebrochen
gestürzt; ich sterbe; er stirbt; wir treiben; Strömung zieht uns raus; von der Strömung erfasst; Brustschmerzen; gelähmt
stecke fest; verheddert; vom Boot getroffen; Rettung rufen; ruft die Wasserrettung; Polizei rufen; ruft 112
holt uns hier raus
kommt schnell; Alarm; dringend; tot; sie sind überfällig
aide; secour; au secour; détresse; urgent; sauvez-nous; appelez le 196; appelle le 15; venez vite; on est séparés
séparés
jambe cassée; mort; on dérive; dérive; on coule; je meurs; on va mourir; paralysé; mal à la poitrine; panique
pris dans le courant; impossible de sortir; on peut pas sortir; on n'arrive pas à sortir; bloqué; on est bloqués
heurté par un bateau
urgente; perdí a Tomás; Tomás desapareció; no salió; Tomás no sube; nos separamos; estamos separados; pierna rota
muerto
me muero; nos ahogamos; nos hundimos; nos lleva la corriente; nos arrastra la corriente; no podemos salir
no puedo salir
no puedo respirar; dolor en el pecho; paralizado; llama al 112; llamad al 112; venid ya; vengan rápido; salvadnos
urgente; perso Marco; Marco perso; persi; Marco non risale; non riemerge; ci siamo separati; separati; gamba rotta
morto
due morti; sto morendo; stiamo affondando; affoghiamo; malore; dolore al petto; paralizzato; non riusciamo a uscire
non riesco a risalire; siamo bloccati; bloccati; in fin di vita; chiamate il 1530; chiama il 112; venite subito
salvateci
"""
FROM_THE_WATER_AND_CALM = """
nicht dringend; habe 112 gerufen; wir sind nicht getrennt; kein Alarm; Fehlalarm; stecke fest im Stau
Auto nicht gefunden
holt uns am Parkplatz ab; bin weg; ich komme nicht; kann nicht kommen; kann sofort kommen; ich komme schnell
j'ai appelé le 196; appelé le 112; pas bloqué; on n'est pas séparés; pas de panique; ne panique pas; pas urgent
bloqué dans les bouchons; bloqué au travail; venez nous chercher au parking; fausse alerte; je ne peux pas
he llamado al 112; llamé al 112; no es urgente; no puedo ir; no puedo salir de casa; no nos separamos; falsa alarma
ho chiamato il 112; non urgente; non siamo bloccati; non ci siamo persi; non ci siamo separati; bloccato nel traffico
sono bloccato al lavoro; ho perso 10 minuti; perso il telefono; telefono perso; tempo perso; non riesco a venire
non posso uscire di casa; falso allarme; vengo subito; nessun morto
"""

CALM = """
Im Notfall bitte anrufen; Ich fahre gerade. Im Notfall 07700 900100; en cas d'urgence 07700 900100
en caso de emergencia 07700 900100; in caso di emergenza 07700 900100
kein Notfall; keine Hilfe nötig; wir brauchen keine Hilfe; niemand verletzt; niemand ist verletzt; nicht in Gefahr
niemand fehlt; es fehlt nichts; danke für die Hilfe; Maske verloren; habe die Lampe verloren; Lampe fehlt; kein Unfall
finde den Schlüssel nicht; kann die Maske nicht finden; fehlen noch 10 Minuten; Rettung gerufen; Rettung ist gerufen
pas d'urgence; pas besoin d'aide; personne n'est blessé; aucun blessé; merci de votre aide; sans danger
perdu mon masque; j'ai perdu une palme; il manque une palme; on ne trouve pas la clé; secours appelés
j'ai appelé les secours; pas d'accident; pas de blessés; rien de perdu
no necesito ayuda; no hay heridos; nadie herido; sin peligro; gracias por su ayuda; he perdido la máscara
faltan 10 minutos; falta poco; no falta nadie; no hace falta; no encuentro las llaves; rescate avisado
he llamado a rescate; no hay emergencia; sin falta; sin accidentes
non serve aiuto; nessun ferito; non manca nessuno; nessuna emergenza; grazie del vostro aiuto; senza pericolo
ho perso la maschera; mancano 10 minuti; manca poco; non trovo le chiavi; soccorsi chiamati; ho chiamato i soccorsi
danke; merci; gracias; grazie; alles gut; tout va bien; todo bien; tutto bene; wir sind drin; on est à l'eau
estamos dentro; siamo in acqua; bis später; à plus tard; hasta luego; a dopo; going in not yet; bless you
we sang all the way; nos queda aire para 20 minutos; tenemos aire; falta visibilidad; il manque de visibilité
manca visibilità; die Sicht fehlt; the aide is here; we are back to the car; verloren gegangen ist nichts
"""

FORMS = """
OUT; OK 7K; SAFE 2 7K; CALLED 7K; LATE 20; NOGO; AGREE 7K; WHERE 7K; IN LANTERN 50 P2
"""


@pytest.mark.parametrize("text", listed(GERMAN + FRENCH + SPANISH + ITALIAN + FROM_THE_WATER))
def test_a_cry_in_another_language_of_our_texts_raises_concern(text: str) -> None:
    """A diver whose texts are German must not wait for the grace period because HILFE is no English."""
    assert read(text).kind is Kind.WORRY


@pytest.mark.parametrize("text", listed(CALM + FROM_THE_WATER_AND_CALM))
def test_what_is_denied_or_lost_and_a_thing_raises_none(text: str) -> None:
    """A lost mask is no alarm in any language, and neither is a contact's word that rescue is called."""
    assert read(text).kind is not Kind.WORRY


@pytest.mark.parametrize("text", listed(FORMS))
def test_the_forms_are_read_as_before(text: str) -> None:
    """No word of trouble is within a command."""
    assert read(text).kind not in (Kind.WORRY, Kind.UNCLEAR)


@pytest.mark.parametrize(
    ("text", "plain"),
    [
        ("OK 7K danke", "OK 7K"),
        ("Ok 7k, merci beaucoup !", "OK 7K"),
        ("OUT gracias", "OUT"),
        ("SAFE 2 7K grazie mille", "SAFE 2 7K"),
        ("LATE 20 bitte", "LATE 20"),
        ("CALLED 7K. Vielen Dank", "CALLED 7K"),
        ("OUT por favor", "OUT"),
        ("Agréé 7K", "AGREE 7K"),
        ("agrée", "AGREE"),
        ("Décline 7K", "DECLINE 7K"),
    ],
)
def test_a_thank_you_in_another_language_is_no_part_of_a_form(text: str, plain: str) -> None:
    """A contact who is woken by a German text answers "OK 7K danke", and must not be asked what they mean."""
    assert read(text) == read(plain)


@pytest.mark.parametrize("code", ["SOCORRO", "HILFE", "AIUTO"])
def test_no_site_is_called_by_a_cry(code: str) -> None:
    """IN HILFE 50 P2 would raise the alarm in place of starting a clock, so the desk refuses such a code."""
    assert code_clash(code) is not None
