"""A contact who says in other words that they act has answered; what they could, would or may do is no answer."""

from __future__ import annotations

import pytest

from service.domain.texts import Kind, read

WILLING = {
    "en": """
ok I will drive there; On my way; on our way!; I'm on the way; on my way to the beach; I'm calling him now; Calling them
going to look; going to have a look; I'll go there; We'll drive down; heading to the site; driving there now
I'm coming; ok driving there right away; be there in 10 min; I'll be there in 20 minutes; leave it with me
Yes, calling the coastguard now; I am going to check; Got it, on my way; On my way. Calling her now
trying to reach them; I'll call them and drive there; ok on my way 7K; 7K on my way; setting off now
walking to the slip; I'll handle it; I'll take care of it; I'll go; yes ok we will go
    """,
    "de": """
ich bin unterwegs; Bin unterwegs; ok fahre hin; Ja, ich fahre sofort hin; ich rufe sie an; rufe ihn jetzt an
ich kümmere mich darum; Ich kuemmere mich drum; ich übernehme; bin auf dem Weg zum Strand; ich gehe nachsehen
ich schaue nach; wir fahren hin; Verstanden, ich übernehme das; ich versuche sie zu erreichen; ich rufe die Rettung
    """,
    "fr": """
j'y vais; J'y vais tout de suite; je suis en route; en route; j'arrive; je m'en occupe; je l'appelle; jy cours
Je les appelle maintenant; ok je vais sur place; D'accord, j'y vais; j'appelle les secours; je pars à la plage
    """,
    "es": """
voy; ya voy; voy para allá; estoy en camino; en camino; voy a la playa; me encargo; Vale, me encargo yo; les llamo ahora
estoy llamándole; voy ahora mismo; sí, voy para allí; voy a buscarlos; llamo al 112
    """,
    "it": """
vado; ci vado io; Vado subito; sto andando in spiaggia; arrivo; sono per strada; me ne occupo io; ci penso io
lo chiamo subito; ok li chiamo; chiamo i soccorsi; sto arrivando; provo a chiamarli; vado a vedere
    """,
}

NOT_WILLING = {
    "en": """
I can't; who is this; I can't go there; if you want I will drive there; I will not go; should I drive there?
on my way?; shall I call him; I could drive there; maybe I will go; I would go but no car; can you call him
I'm not going; not on my way; I might go and look; he is on his way; they are on the way; she is coming
I'll call him later; I'll look tomorrow; on my way home; on my way to work; going to bed; I'm going to the pub
calling it off; I'm coming home; going in; I was on my way; I have called him; nobody is coming; can anyone go there
do you want me to go; someone else should go; I can go in an hour; I'll try; when I can I will go there; thanks
on my way 👎; I will go there if nobody else does; on my way, but it takes two hours; ok I will drive there tomorrow
I am going to have dinner; will you be there in 10 min; I'm calling in sick; he will call them; don't leave it to me
I'll go home; will I go; I will go if you can't; I am going; I'll let you go
    """,
    "de": """
ich kann nicht; wer ist das; ich würde hinfahren; soll ich hinfahren; ich kann hinfahren wenn du willst; nicht unterwegs
ich fahre nicht hin; bin nicht unterwegs; ich rufe sie nicht an; er ist unterwegs; wenn du willst fahre ich hin
ich komme nicht; ich rufe morgen an; ich fahre nach Hause; ich rufe sie später an; jemand soll hinfahren
    """,
    "fr": """
je ne peux pas; qui est-ce; je n'y vais pas; si vous voulez j'y vais; il est en route; je pourrais y aller
je ne l'appelle pas; je vais voir; on y va; dois-je y aller; j'y vais ?; je l'appelle demain; je vais au lit
    """,
    "es": """
no puedo; quién es; no voy; si quieres voy; ¿voy?; podría ir; él va en camino; no le llamo; vamos; mañana voy
le llamo luego; voy a casa; voy a cenar
    """,
    "it": """
non posso; chi sei; non vado; se vuoi vado; vado?; potrei andare; lui arriva; non lo chiamo; domani vado; vado a casa
vado a letto; vado al lavoro; lo chiamo dopo
    """,
}


def listed(table: dict[str, str]) -> list[str]:
    """Every phrase of a table."""
    lines = ";".join(table.values()).replace("\n", ";")
    return [phrase.strip() for phrase in lines.split(";") if phrase.strip()]


@pytest.mark.parametrize("text", listed(WILLING))
def test_who_says_that_they_act_has_answered(text: str) -> None:
    """By the whole text, however it is written."""
    intent = read(text)

    assert (intent.kind, intent.willing) == (Kind.OK, True)
    assert intent.ref == ("7K" if "7K" in text else None)


@pytest.mark.parametrize("text", listed(NOT_WILLING))
def test_who_cannot_asks_or_only_might_has_not(text: str) -> None:
    """The next contact is woken: a false answer would keep them asleep until distress."""
    intent = read(text)

    assert intent.willing is None
    assert intent.kind is not Kind.OK


def test_both_tables_are_long_enough_to_mean_something() -> None:
    """In all five languages."""
    assert len(listed(WILLING)) >= 80
    assert len(listed(NOT_WILLING)) >= 80
    assert {*WILLING} == {*NOT_WILLING} == {"en", "de", "fr", "es", "it"}
