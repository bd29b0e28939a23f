"""Whatever begins or ends like a command and says something else: it does nothing, in any language of our texts."""

from __future__ import annotations

import pytest

from service.domain.texts import Kind, is_name, read
from tests.domain.test_texts_trouble import listed

# None of these may be read where somebody says more than the form.
ACTING = frozenset((Kind.FINISH, Kind.SAFE, Kind.OK, Kind.CALLED, Kind.LATE, Kind.START, Kind.CALL_OFF, Kind.ON_SCENE))

HEADS = (
    *("out", "OUT 2", "all out", "we are out", "both out", "I'm out", "ashore", "all back"),
    *("ok", "OK 7K", "got it", "received", "on it"),
    *("safe", "SAFE 2", "SAFE 2 7K", "all safe", "we are safe"),
    *("late", "late 20", "+20", "in", "going in", "we are in", "called", "CALLED 7K", "called 112", "on scene", "nogo"),
)
TAILS = listed("""
not; but Bram is not; without Bram; except Bram; but one; only me; i think; i hope; maybe; hopefully; soon; tomorrow
if they are back; when it is dark; says Bram; means what; again?; no answer; nobody there; wrong number; cannot go
nicht; aber Bram nicht; ohne Bram; außer Bram; bis auf einen; glaube ich; vielleicht; hoffentlich; bald; morgen
aber einer fehlt; aber Tom ist weg; kann nicht; keine Antwort; falsche Nummer; noch nicht; und einer nicht
pas; mais pas Marc; sans Marc; sauf Marc; sauf un; je crois; peut-être; bientôt; demain; pas encore; je ne peux pas
pas de réponse; mauvais numéro; mais il manque Marc
pero Tomás no; sin Tomás; menos uno; menos Ana; creo; quizás; pronto; mañana; todavía no; no puedo; sin respuesta
número equivocado; pero falta uno
non; ma Marco no; senza Marco; tranne Marco; meno uno; credo; forse; presto; domani; non ancora; non posso
nessuna risposta; numero sbagliato; ma manca Marco
""")
FRONTS = listed("""
not; nobody is; are they; is Bram; I hope; when; if; until; before; they are not; he is not; almost; nearly; should be
nicht; noch nicht; niemand ist; sind sie; hoffentlich; wenn; fast; pas; pas encore; personne; si; quand; presque
no; nadie; todavía no; están; si; cuando; casi; non; nessuno; non ancora; sono; se; quando; quasi
""")


@pytest.mark.parametrize("head", HEADS)
def test_a_form_with_more_behind_it_does_nothing(head: str) -> None:
    """Least of all what stops a clock or calms the others."""
    kinds = {f"{head} {tail}": read(f"{head} {tail}").kind for tail in TAILS}

    assert {text: kind for text, kind in kinds.items() if kind in ACTING} == {}


@pytest.mark.parametrize("form", ["out", "all out", "both out", "out 2", "safe", "safe 2", "all safe", "late 20"])
def test_a_form_with_more_before_it_does_nothing(form: str) -> None:
    """A denial, a question, a hope."""
    kinds = {f"{front} {form}": read(f"{front} {form}").kind for front in FRONTS}

    assert {text: kind for text, kind in kinds.items() if kind in ACTING} == {}


SAFE = """
false alarm; Fehlalarm; fausse alerte; falsa alarma; falso allarme; they are home
in Sicherheit; wir sind in Sicherheit; alle in Sicherheit; sicher; alle sicher; a salvo; estamos a salvo; todos a salvo
sanos y salvos; en sécurité; tous en sécurité; en sûreté; sains et saufs; al sicuro; siamo al sicuro; in salvo
siamo in salvo; tutti salvi; sani e salvi; IN SICHERHEIT; in salvo 2
"""
OUT = """
wir sind raus; alle draußen; aus dem Wasser; an Land; alle zurück; estamos fuera; todos fuera; hemos salido; en tierra
on est sortis; tous dehors; hors de l'eau; de retour; siamo fuori; tutti fuori; usciti; a riva
"""
WHAT_TO_DO = """
what do I do; what should I do now?; what now?; who do I call; was soll ich jetzt tun?; que dois-je faire?; ¿qué hago?
cosa devo fare?
"""
LATE = """
kommen später; 20 Minuten länger; verspätet; in ritardo; in ritardo 20; siamo in ritardo; più tardi; en retard
plus tard; 20 minutes de plus; más tarde; 20 minutos más; retraso 20
"""


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        *((text, Kind.SAFE) for text in listed(SAFE)),
        *((text, Kind.FINISH) for text in listed(OUT)),
        *((text, Kind.LATE) for text in listed(LATE)),
        *((text, Kind.STATUS) for text in listed(WHAT_TO_DO)),
        *((text, Kind.CALL_OFF) for text in ("no dive too rough", "too rough today, going home")),
    ],
)
def test_what_is_said_in_ones_own_language_is_answered_with_the_text_that_would_do_it(text: str, meant: Kind) -> None:
    """Commands are the same in every language; `in Sicherheit` was taken for a start at a site of that name."""
    intent = read(text)

    assert (intent.kind, intent.near) == (Kind.UNCLEAR, meant)


IN = """
in Ordnung; in Kürze; in 10 Minuten; in zehn Minuten; in einer Stunde; in Arbeit; in Urlaub; in 10 minuti; in mezz'ora
in un'ora; in arrivo; in viaggio; in ospedale; in casualty; in theory; in response; in turn
in 5 min ago; in due; in corso
"""


@pytest.mark.parametrize("text", listed(IN))
def test_everyday_words_behind_in_are_no_site(text: str) -> None:
    """Whoever writes them is asked, and their words are kept as the last that was heard."""
    intent = read(text)

    assert (intent.kind, intent.site) == (Kind.UNCLEAR, None)


@pytest.mark.parametrize("text", ["IN RUHE 50 P2", "IN SALVO P2", "IN SALVO BAY 50", "PLAN RUHE 1000 50 P2"])
def test_a_site_may_have_such_a_name_all_the_same(text: str) -> None:
    """With a run time or a head count it can be nothing else."""
    assert (read(text).site or "").startswith(("RUHE", "SALVO"))


TROUBLE = """
in shock; in severe pain; in a bad way; in bad shape; in a coma; in peril; in cardiac arrest; Bram is out cold
he blacked out; he had a black out; nobody surfaced; nobody came up; ok nobody has come back; we have a problem
ok, we have a big problem; in großen Schwierigkeiten; in Schwierigkeiten; in höchster Not; in Ohnmacht; unterkühlt
en difficulté; en grande difficulté; hypothermie; en dificultades; en parada; hipotermia; in affanno; in arresto
in ipotermia; in balia delle onde
"""
CALM = """
no problem; we have a problem with the app; nobody came back to me; keine Schwierigkeiten; nicht in Schwierigkeiten
pas en difficulté; sans difficulté; sin dificultades; nessuna difficoltà; not in pain; not in shock; in crisp air
"""


@pytest.mark.parametrize("text", listed(TROUBLE))
def test_trouble_that_begins_like_a_start_or_an_end_raises_concern(text: str) -> None:
    """`in peril` was a start at a site called PERIL."""
    assert read(text).kind is Kind.WORRY


@pytest.mark.parametrize("text", listed(CALM))
def test_the_same_words_denied_or_of_a_thing_raise_nothing(text: str) -> None:
    """As all words of trouble."""
    assert read(text).kind is not Kind.WORRY


@pytest.mark.parametrize(
    "text", ["I called", "we phoned", "rang", "phoned", "I have called", "ok I rang", "called 07700900001", "I rang 7K"]
)
def test_who_may_have_called_the_divers_has_not_reported_rescue(text: str) -> None:
    """The repeats end with CALLED, so it is only the word itself, or whom or under which number."""
    intent = read(text)

    assert (intent.kind, intent.near) == (Kind.UNCLEAR, Kind.CALLED)


@pytest.mark.parametrize(
    ("text", "reference"),
    [("called", None), ("I called 112", None), ("rang the coastguard", None), ("we called, ref 4711", "4711")],
)
def test_a_report_that_rescue_was_called_says_so(text: str, reference: str | None) -> None:
    """By the word that is taught, whom they called, or under which number."""
    intent = read(text)

    assert (intent.kind, intent.reference) == (Kind.CALLED, reference)


@pytest.mark.parametrize(
    ("text", "minutes"),
    [
        ("LATE 20 Minuten", 20),
        ("late 20 minutos", 20),
        ("late 20 minuti", 20),
        ("LATE 1 Stunde", 60),
        ("late 1 ora", 60),
    ],
)
def test_a_length_may_be_in_ones_own_language(text: str, minutes: int) -> None:
    """What is asked for is the word of ours, how long is a number and its unit."""
    intent = read(text)

    assert (intent.kind, intent.minutes) == (Kind.LATE, minutes)


@pytest.mark.parametrize(
    ("text", "signed", "ref"),
    [
        ("OK 7K Marta", "marta", "7K"),
        ("OK Marta 7K", "marta", "7K"),
        ("ok, Marta Lund", "marta lund", None),
        ("OK 7K no answer", "no answer", "7K"),
        ("Got it. Marie-Claire", "marie claire", None),
    ],
)
def test_an_ok_with_words_behind_it_is_not_understood_until_they_are_known_for_a_name(
    text: str, signed: str, ref: str | None
) -> None:
    """Who has that phone, only the operation knows."""
    intent = read(text)

    assert (intent.kind, intent.signed, intent.ref) == (Kind.UNCLEAR, signed, ref)


@pytest.mark.parametrize("text", ["OK 7K Marta?", "OK 7K Marta 2A", "OK 7K 5", "OK 7K M", "Marta OK", "OK a b c d e"])
def test_what_is_no_ok_with_a_name_has_none(text: str) -> None:
    """Asked, of two dives, or of no words."""
    assert read(text).signed is None


@pytest.mark.parametrize(
    ("signed", "name", "own"),
    [
        ("marta", "Marta Lund", True),
        ("marta lund", "Marta Lund", True),
        ("jose", "José Ruiz", True),
        ("strassner", "Straßner", True),
        ("obrien", "O'Brien", True),
        ("lukasz", "Łukasz Nowak", True),
        ("марта", "Marta Lund", True),
        ("lund", "Marta Lund", False),
        ("marta not", "Marta Lund", False),
        ("marta", "Martha Lund", False),
        ("no answer", "Marta Lund", False),
        ("marta", "", False),
    ],
)
def test_a_name_is_the_whole_or_the_first_of_it(signed: str, name: str, own: bool) -> None:  # noqa: FBT001 - a table
    """However it is spelled; anything else may be an answer of another kind."""
    assert is_name(signed, name) is own
