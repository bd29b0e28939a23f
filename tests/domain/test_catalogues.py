"""The catalogues against the code: nothing missing, nothing stale, every gap and every command in its place."""

from __future__ import annotations

import re
from collections import Counter
from importlib.resources import files

import pytest
from babel.messages.catalog import Catalog, Message
from babel.messages.pofile import read_po

from service.domain import language as language_package
from service.domain.language import LANGUAGES
from tests.domain.said import Said, all_said

OTHERS = LANGUAGES[1:]
GAP = re.compile(r"\{(\w+)\}")
# What people text to us, and the one word that marks a drill; site signs and cards teach them as they are.
COMMANDS = re.compile(
    r"\b(?:AT 47\.12345,-20\.54321|AGREE|ARMED|CALLED|DECLINE|EXERCISE|IN P2|LATE|NOGO|NOT CALLED|OK|ON SCENE|OUT|PACK"
    r"|PLAN|SAFE|SOS|STATUS|WHERE)\b(?![:.,]? (?:OFF|NOW))"
)
# Words of an English headline that happen to be commands too; what is shouted in it is translated.
HEADLINES = (
    "RESCUE NOT CALLED AFTER ALL",
    "NOT CALLED AFTER ALL",
    "RESCUE CALLED",
    "CALLED OFF",
    "{heads} OUT.",
    "{heads} SAFE.",
)


def catalogue(code: str) -> Catalog:
    """The catalogue of a language, as its file is."""
    source = files(language_package) / "catalogues" / f"{code}.po"
    with source.open("rb") as file:
        return read_po(file, locale=code, abort_invalid=True)


def entries(code: str) -> list[Message]:
    """Its messages without the header."""
    return [message for message in catalogue(code) if message.id]


def key_of(message: Message) -> tuple[str, str]:
    """English for one and for several; the second is empty where there is only one."""
    return (message.id[0], message.id[1]) if isinstance(message.id, tuple) else (str(message.id), "")


def wordings(message: Message) -> list[tuple[str, str]]:
    """English and its translation, for each form; of a plural the form for several belongs to the English one."""
    if isinstance(message.id, tuple):
        return list(zip(message.id, message.string, strict=True))
    return [(str(message.id), str(message.string))]


def commands_in(words: str) -> list[str]:
    """What of it people text, but for what only a headline shouts."""
    for headline in HEADLINES:
        words = words.removeprefix(headline)
    return COMMANDS.findall(words)


def test_the_values_of_every_message_are_the_gaps_of_its_english() -> None:
    """A gap without a value would reach a person as braces; a value without a gap is lost."""
    wrong = [said for said in all_said() if set(GAP.findall(said.msgid + said.plural)) != said.values]

    assert wrong == []


def test_a_message_has_one_plural_wherever_it_is_said() -> None:
    """A catalogue has one entry for it."""
    plurals: dict[str, set[str]] = {}
    for said in all_said():
        plurals.setdefault(said.msgid, set()).add(said.plural)

    assert {msgid: found for msgid, found in plurals.items() if len(found) > 1} == {}


@pytest.mark.parametrize("code", OTHERS)
def test_every_message_of_the_code_is_in_every_catalogue_and_no_other(code: str) -> None:
    """What is missing would be English in the middle of another language; what is stale misleads who reviews."""
    of_code = {(said.msgid, said.plural): said for said in all_said()}
    translated = {key_of(message) for message in entries(code)}

    missing: list[Said] = [said for key, said in of_code.items() if key not in translated]
    assert missing == []
    assert translated - set(of_code) == set()
    assert len(translated) == len(entries(code))


@pytest.mark.parametrize("code", OTHERS)
def test_every_translation_has_the_gaps_of_its_english_as_often(code: str) -> None:
    """A time, a number or a name is never lost."""
    for message in entries(code):
        for english, translation in wordings(message):
            assert Counter(GAP.findall(translation)) == Counter(GAP.findall(english)), english


@pytest.mark.parametrize("code", OTHERS)
def test_every_translation_keeps_what_people_text(code: str) -> None:
    """Commands are the same in every language, in the order of the English."""
    for message in entries(code):
        for english, translation in wordings(message):
            assert commands_in(translation) == commands_in(english), translation


@pytest.mark.parametrize("code", OTHERS)
def test_every_translation_is_plain_and_joins_as_its_english_does(code: str) -> None:
    """No exclamation mark, no doubled blank; it begins and ends with the blanks and the full stop of the English."""
    for message in entries(code):
        assert not message.fuzzy
        for english, translation in wordings(message):
            assert translation.strip(), english
            assert not set("!\N{INVERTED EXCLAMATION MARK}") & set(translation)
            assert "  " not in translation
            assert translation[0].isspace() is english[0].isspace(), english
            assert translation[-1:] in (english[-1:] if english[-1] in ".?:," else translation[-1:]), translation


@pytest.mark.parametrize("code", OTHERS)
def test_every_catalogue_says_that_it_awaits_review(code: str) -> None:
    """Nobody takes our wording for that of a native speaker before one has read it."""
    header = catalogue(code).header_comment

    assert "awaiting review by native speakers" in header
    assert catalogue(code).num_plurals == 2


@pytest.mark.parametrize(
    ("code", "as_if_so"),
    [("es", r"no sabe que\b"), ("fr", r"savez pas qu"), ("it", r"non sai che\b"), ("de", r"nicht wiss\w+, dass\b")],
)
def test_nobody_is_asked_whether_they_do_not_know_that_all_are_out(code: str, as_if_so: str) -> None:
    """In these languages that says that they are; a contact must be asked whether anybody said so."""
    said = [words for message in entries(code) for _, words in wordings(message)]

    assert [words for words in said if re.search(as_if_so, words)] == []
