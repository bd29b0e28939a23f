"""Words that carriers and platforms act on, none of which may be a command of ours.

Sources:
[1] AWS End User Messaging SMS user guide, "Required opt-out keywords"
[2] US 47 CFR 64.1200(a)(10), FCC 24-24: reasonable means to revoke consent
[3] Braze documentation, opt-in and opt-out keywords
[4] Vonage opt-out assist guide, keyword set-up
"""

from __future__ import annotations

import pytest

from service.domain.texts import Kind, read


@pytest.mark.parametrize(
    "word",
    [
        pytest.param("STOP", id="[1] [2] [3] [4] STOP"),
        pytest.param("UNSUBSCRIBE", id="[1] [2] [3] UNSUBSCRIBE"),
        pytest.param("CANCEL", id="[1] [2] [3] CANCEL"),
        pytest.param("OPTOUT", id="[1] OPTOUT"),
        pytest.param("OPT-OUT", id="[1] OPT-OUT"),
        pytest.param("OPT OUT", id="[2] OPT OUT"),
        pytest.param("REMOVE", id="[1] REMOVE"),
        pytest.param("ARRET", id="[1] ARRET"),
        pytest.param("TD", id="[1] TD"),
    ],
)
def test_an_opt_out_keyword_opts_out_and_does_nothing_else(word: str) -> None:
    """A carrier blocks whoever sends it, whatever we would have made of it."""
    assert read(word).kind is Kind.OPT_OUT


@pytest.mark.parametrize("text", ["stop", " STOP ", "Stop"])
def test_keywords_match_in_any_case_and_with_blanks_around(text: str) -> None:
    """[1] [3] Platforms match the single word without regard to case."""
    assert read(text).kind is Kind.OPT_OUT


def test_a_wish_that_a_reasonable_person_reads_as_stop_is_honoured() -> None:
    """[2] The wording is free, though platforms act on the single word only [3]."""
    assert read("STOP PLEASE").kind is Kind.OPT_OUT


@pytest.mark.parametrize(
    "word",
    [
        pytest.param("START", id="[1] [3] [4] START"),
        pytest.param("UNSTOP", id="[1] [3] UNSTOP"),
        pytest.param("JOIN", id="[4] JOIN"),
    ],
)
def test_an_opt_in_keyword_starts_no_dive(word: str) -> None:
    """START in particular is not the command that starts a clock."""
    assert read(word).kind is Kind.OPT_IN


def test_yes_is_no_command() -> None:
    """[3] A platform takes YES for an opt-in; to us it answers nothing."""
    assert read("YES").kind is Kind.UNCLEAR


def test_info_is_answered_as_platforms_do() -> None:
    """[3] INFO gets an automatic answer."""
    assert read("INFO").kind is Kind.INFO


ALL_LISTS = [
    *("STOP", "STOPALL", "UNSUBSCRIBE", "CANCEL", "END", "QUIT", "REVOKE", "OPTOUT", "OPT-OUT", "REMOVE"),
    *("ARRET", "TD", "START", "YES", "UNSTOP", "JOIN", "HELP", "INFO"),
]


@pytest.mark.parametrize("word", ALL_LISTS)
def test_no_keyword_of_all_lists_is_a_command(word: str) -> None:
    """The union of the lists: nothing of ours depends on a word that may never arrive; HELP only ever raises."""
    reading = read(word)

    assert reading.reserved or reading.kind in (Kind.OPT_OUT, Kind.OPT_IN, Kind.INFO, Kind.UNCLEAR)
