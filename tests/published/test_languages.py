"""What our languages write, against published tables.

Sources:
[1] 3GPP TS 23.038 clause 6.2.1 (default alphabet): which accented letters a text of 160 characters has
[2] Unicode CLDR, calendars/gregorian: abbreviated names of days and months, format context (es, fr, de, it)
[3] Unicode CLDR, plurals: cardinal rules "one" of en, es, de, it (n = 1) and fr (n = 0 or 1)
"""

from __future__ import annotations

from datetime import UTC, datetime
from importlib.resources import files

import pytest
from babel.messages.pofile import read_po

from service.domain import language as language_package
from service.domain.encoding import is_gsm7, to_gsm7
from service.domain.language import LANGUAGES, count, render
from service.domain.local_time import say

# [1] The letters of each alphabet beyond A to Z, those that the table has first; the others as a text writes them.
LETTERS = {
    "es": ("ñÑüÜ¿éÉ", {"á": "a", "í": "i", "ó": "o", "ú": "u", "Á": "A", "Í": "I", "Ó": "O", "Ú": "U"}),
    "fr": (
        "àèéùÉÇ",
        {"â": "a", "ê": "e", "î": "i", "ô": "o", "û": "u", "ë": "e", "ï": "i", "ç": "c", "œ": "oe", "À": "A", "Ê": "E"},
    ),
    "de": ("äöüßÄÖÜ", {}),
    "it": ("àèéìòù", {"È": "E", "À": "A", "Ì": "I", "Ò": "O", "Ù": "U"}),
}

# [2] Monday to Sunday, and January to December.
DAYS = {
    "es": "lun mar mié jue vie sáb dom",
    "fr": "lun. mar. mer. jeu. ven. sam. dim.",
    "de": "Mo. Di. Mi. Do. Fr. Sa. So.",
    "it": "lun mar mer gio ven sab dom",
}
MONTHS = {
    "es": "ene feb mar abr may jun jul ago sept oct nov dic",
    "fr": "janv. févr. mars avr. mai juin juil. août sept. oct. nov. déc.",
    "de": "Jan. Feb. März Apr. Mai Juni Juli Aug. Sept. Okt. Nov. Dez.",
    "it": "gen feb mar apr mag giu lug ago set ott nov dic",
}


@pytest.mark.parametrize("code", LETTERS)
def test_the_letters_of_a_language_are_kept_where_the_table_has_them(code: str) -> None:
    """[1] And written without their accent, never dropped, where it has not."""
    kept, others = LETTERS[code]

    assert to_gsm7(kept) == kept
    assert {letter: to_gsm7(letter) for letter in others} == others


@pytest.mark.parametrize("code", LETTERS)
def test_every_letter_of_a_catalogue_is_one_of_its_language(code: str) -> None:
    """[1] So that each is known to be kept or readable in a text."""
    kept, others = LETTERS[code]
    with (files(language_package) / "catalogues" / f"{code}.po").open("rb") as file:
        words = "".join(str(message.string) for message in read_po(file, locale=code) if message.id)

    beyond = {letter for letter in words if not letter.isascii()}

    assert beyond <= set(kept) | set(others)
    assert is_gsm7(to_gsm7(words))


@pytest.mark.parametrize("code", DAYS)
def test_days_and_months_have_their_published_names(code: str) -> None:
    """[2] As whoever reads a time of another day reads it."""
    now = datetime(2020, 1, 1, tzinfo=UTC)
    days = [say(datetime(2027, 3, day, 12, tzinfo=UTC), "UTC", now, code).split()[0] for day in range(1, 8)]
    months = [say(datetime(2027, month, 5, 12, tzinfo=UTC), "UTC", now, code).split()[2] for month in range(1, 13)]

    assert days == DAYS[code].split()
    assert months == MONTHS[code].split()


@pytest.mark.parametrize("code", LANGUAGES)
def test_nought_one_and_several_take_their_published_forms(code: str) -> None:
    """[3] Seen in a message that differs by its number in every language."""
    forms = [
        render(count("{count} diver is safe.", "{count} divers are safe.", n), code).split(" ", 1)[1] for n in (0, 1, 2)
    ]

    assert forms[1] != forms[2]
    assert forms[0] == (forms[1] if code == "fr" else forms[2])
