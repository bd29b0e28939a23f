"""Phrases: English with gaps, worded for whoever reads it, and never worse than English."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from service.domain.language import (
    LANGUAGES,
    Length,
    Moment,
    Name,
    Words,
    catalogues,
    count,
    fragments,
    is_language,
    render,
    say,
)


def _header(line: str) -> bytes:
    """A catalogue with nothing but that line in its header."""
    return f'msgid ""\nmsgstr ""\n"{line}\\n"\n'.encode()


NOW = datetime(2027, 6, 1, 9, 0, tzinfo=UTC)


def test_a_phrase_is_worded_in_the_language_of_whoever_reads_it() -> None:
    """The same value, in each language; words that are no phrase stay as they are."""
    phrase = say("Call {number}.", number="07700 900001")

    assert [render(phrase, language) for language in LANGUAGES] == [
        "Call 07700 900001.",
        "Llame al 07700 900001.",
        "Appelez le 07700 900001.",
        "Anrufen: 07700 900001.",
        "Chiama 07700 900001.",
    ]
    assert render("OUT 731905", "de") == "OUT 731905"


@pytest.mark.parametrize(
    ("number", "english", "french"),
    [(0, "0 divers", "0 plongeur"), (1, "1 diver", "1 plongeur"), (2, "2 divers", "2 plongeurs")],
)
def test_a_count_takes_the_plural_of_its_language(number: int, english: str, french: str) -> None:
    """Nought is several in English and one in French."""
    divers = count("{count} diver", "{count} divers", number)

    assert (render(divers), render(divers, "fr")) == (english, french)


def test_a_phrase_may_hold_other_phrases_and_all_are_worded_alike() -> None:
    """Down to the innermost."""
    missing = say("{out} of {all} out, {missing} missing", out=1, all=2, missing=1)
    clock = say("The clock goes on.")
    whole = say(
        "{missing}. {clock} All out? Text {finish}. In trouble? Text SOS.", missing=missing, clock=clock, finish="OUT"
    )

    assert (
        render(whole, "de")
        == "1 von 2 raus, 1 fehlt/fehlen. Die Uhr läuft weiter. Alle raus? SMS OUT. In Not? SMS SOS."
    )


@pytest.mark.parametrize("code", ["xx", "", "EN", "de_CH", "../de"])
def test_an_unknown_language_is_english(code: str) -> None:
    """Nobody goes without a message because of a code."""
    assert not is_language(code)
    assert render(say("The clock goes on."), code) == "The clock goes on."
    assert render(say("{length}", length=Length(1234)), code) == "1.2 km"


def test_what_no_catalogue_has_is_english() -> None:
    """The test of the catalogues is the guard; at sea English is better than nothing."""
    assert render(say("A new message for {name}.", name=Name("Anna")), "de") == "A new message for Anna."


@pytest.mark.parametrize(
    "damage",
    [
        pytest.param(None, id="not there"),
        pytest.param(b"\xff\xfe\x00 no catalogue", id="no text at all"),
        pytest.param(_header("Plural-Forms: nplurals=2; plural=(n >;"), id="a plural that is no formula"),
        pytest.param(_header("Content-Type: text/plain; charset=never-heard-of"), id="an unknown alphabet"),
    ],
)
def test_a_damaged_catalogue_is_english(damage: bytes | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An alarm in English is better than none."""
    (tmp_path / "catalogues").mkdir()
    if damage is not None:
        (tmp_path / "catalogues" / "de.po").write_bytes(damage)
    monkeypatch.setattr(catalogues, "files", lambda _: tmp_path)

    found = catalogues.translations.__wrapped__("de")

    assert found.gettext("Call {number}.") == "Call {number}."
    assert found.ngettext("{count} diver", "{count} divers", 2) == "{count} divers"


def test_a_gap_without_a_value_is_shown_and_fails_nothing() -> None:
    """Words of an alarm with a hole in them are better than none."""
    assert render(say("Call {nobody}.")) == "Call {nobody}."


@pytest.mark.parametrize(
    ("language", "later"),
    [
        ("en", "Wed 2 Jun 09:05"),
        ("es", "mié 2 jun 09:05"),
        ("fr", "mer. 2 juin 09:05"),
        ("de", "Mi. 2. Juni 09:05"),
        ("it", "mer 2 giu 09:05"),
    ],
)
def test_a_time_names_its_day_in_the_language_where_it_is_not_today(language: str, later: str) -> None:
    """24 hours in every language."""
    today = say("{at}", at=Moment(NOW + timedelta(hours=5), "Europe/London", NOW))
    tomorrow = say("{at}", at=Moment(NOW + timedelta(hours=23, minutes=5), "Europe/London", NOW))

    assert render(today, language) == "15:00"
    assert render(tomorrow, language) == later


@pytest.mark.parametrize(
    ("metres", "english", "german"),
    [(4, "0 m", "0 m"), (994, "990 m", "990 m"), (996, "1.0 km", "1,0 km"), (12_345, "12.3 km", "12,3 km")],
)
def test_a_length_is_told_as_people_of_the_language_write_it(metres: float, english: str, german: str) -> None:
    """To 10 m, and from a kilometre on to 100 m."""
    length = say("{length}", length=Length(metres))

    assert (render(length), render(length, "de")) == (english, german)


@pytest.mark.parametrize(
    ("words", "pieces"),
    [
        pytest.param("a b", [("a b", False)], id="plain"),
        pytest.param(say("{name}", name=Name("Anna Holt")), [("Anna Holt", True)], id="only a name"),
        pytest.param(
            say("From {name} ({ref}).", name=Name("Anna Holt"), ref="7K"),
            [("From", False), ("Anna Holt", True), ("(7K).", False)],
            id="in the middle",
        ),
        pytest.param(
            say("({one}), {two}.", one=Name("Anna Holt"), two=Name("Bram")),
            [("(Anna Holt),", True), ("Bram.", True)],
            id="with what stands at it",
        ),
        pytest.param(say("a {name} b", name=Name("")), [("a", False), ("b", False)], id="an empty name"),
        pytest.param(say("{name} b", name=Name("\ue001x\ue000")), [("x", True), ("b", False)], id="a hostile name"),
    ],
)
def test_only_names_may_be_shortened(words: Words, pieces: list[tuple[str, bool]]) -> None:
    """A sentence is cut at the blanks around them, and what stands at a name goes with it."""
    assert fragments(words, "en") == pieces
