"""The GSM 7-bit alphabet, segments, and fitting a text into them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.encoding import Encoding, Part, fit, is_gsm7, segments, septets, to_gsm7

GSM_TEXT = st.text(alphabet="aZ 09é€[]{}~\n", max_size=700)


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("Anna Holt", "Anna Holt"),
        ("Ærø, Ñandú, Übung, à la mode", "Ærø, Ñandu, Übung, à la mode"),
        ("Dov Łind, Façade, Škerry", "Dov Lind, Facade, Skerry"),
        ("e\u0301te\u0301", "été"),
        ("x\u030c", "x"),
        ("“No”, she’s in — soon…", '"No", she\'s in - soon...'),
        ("a\u00a0b\tc\u2009d", "a b c d"),
        ("one\r\ntwo\rthree\n", "one\ntwo\nthree\n"),
        ("18°C", "18degC"),
        ("`x`", "'x'"),
        ("Жанна", "Zhanna"),
        ("山本", "ShanBen"),
        ("Γιάννης", "Giannis"),
        ("Δ Ω", "Δ Ω"),
        ("ΓΙΑΝΝΗΣ", "GIANNIS"),
        ("\u200b\u202eOUT\u202c", "OUT"),
        ("\ud800", ""),
        ("\x1b\x00", ""),
        ("👍", ":thumbsup:"),
        ("50 € [x]", "50 € [x]"),
    ],
    ids=ascii,
)
def test_a_text_stays_recognisable_in_the_gsm_alphabet(text: str, written: str) -> None:
    """Letters that the alphabet has stay; all others become the nearest that can be read."""
    assert to_gsm7(text) == written


@given(st.text(max_size=300))
def test_any_text_can_be_written_in_the_gsm_alphabet(text: str) -> None:
    """Nothing leaves the alphabet, and writing twice changes nothing."""
    written = to_gsm7(text)

    assert is_gsm7(written)
    assert to_gsm7(written) == written


@pytest.mark.parametrize(("text", "expected"), [("", 0), ("abc", 3), ("a€b", 4), ("{}", 4), ("é\n", 2)])
def test_a_character_of_the_extension_table_counts_twice(text: str, expected: int) -> None:
    """The escape before it is a septet of its own."""
    assert septets(text) == expected


def test_what_is_not_in_the_alphabet_has_no_septets() -> None:
    """A forgotten transliteration is an error, not a wrong count."""
    with pytest.raises(ValueError, match=r"U\+2019 is not in the GSM 7-bit alphabet"):
        septets("she’s")


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("", (0,)),
        ("a" * 159, (159,)),
        ("a" * 160, (160,)),
        ("a" * 161, (153, 8)),
        ("a" * 158 + "€", (160,)),
        ("a" * 159 + "€", (153, 8)),
        ("a" * 152 + "€" + "a" * 10, (152, 12)),
        ("a" * 151 + "€" + "a" * 10, (153, 10)),
        ("é" * 153 + "ж", (67, 67, 20)),
        ("ж" * 70, (70,)),
        ("ж" * 71, (67, 4)),
        ("ж" * 66 + "👍" + "ж" * 5, (66, 7)),
    ],
)
def test_no_character_is_split_between_segments(text: str, parts: tuple[int, ...]) -> None:
    """A pair that does not fit whole goes to the next segment."""
    assert segments(text).parts == parts


@given(GSM_TEXT)
def test_segments_hold_the_whole_text(text: str) -> None:
    """No septet is lost or counted twice, and no segment is over its size."""
    cut = segments(text)

    assert cut.encoding is Encoding.GSM7
    assert sum(cut.parts) == cut.units == septets(text)
    assert max(cut.parts) <= (160 if len(cut.parts) == 1 else 153)


def test_parts_that_fit_are_joined_by_one_blank_each() -> None:
    """Nothing is dropped that fits; blanks within a part are tidied, empty parts are not seen."""
    parts = [Part(" Overdue: ", 0), Part("Anna  Holt", 1), Part(" ", 2), Part("2 divers.", 3)]

    assert fit(parts, 1) == "Overdue: Anna Holt 2 divers."


def test_the_least_important_part_goes_first_and_the_last_of_equals() -> None:
    """The higher its drop, the sooner a part is left out; order is kept among those that stay."""
    parts = [Part("a" * 60, 1), Part("b" * 60, 2), Part("c" * 30, 0), Part("d" * 60, 2)]

    assert fit(parts, 1) == f"{'a' * 60} {'b' * 60} {'c' * 30}"
    assert fit(parts, 1, reserve=10) == f"{'a' * 60} {'c' * 30}"


def test_a_text_may_fill_its_segments_to_the_last_septet() -> None:
    """160 septets are one segment, 459 are three; one more and a part must go."""
    assert fit([Part("a" * 80, 0), Part("b" * 79, 1)], 1) == f"{'a' * 80} {'b' * 79}"
    assert fit([Part("a" * 80, 0), Part("b" * 80, 1)], 1) == "a" * 80
    assert fit([Part("a" * 229, 0), Part("b" * 229, 1)], 3) == f"{'a' * 229} {'b' * 229}"
    assert fit([Part("a" * 229, 0), Part("b" * 230, 1)], 3) == "a" * 229


def test_an_escape_pair_at_a_seam_is_counted() -> None:
    """306 septets do not fit into two segments where a pair would straddle them."""
    straddling = "a" * 152 + "€" + "a" * 152

    assert septets(straddling) == 306
    assert fit([Part("a" * 150, 0), Part("€" + "a" * 152, 1)], 2) == f"{'a' * 150} €{'a' * 152}"
    with pytest.raises(ValueError, match="2 segments"):
        fit([Part(straddling, 0)], 2)


def test_a_name_is_shortened_between_words_when_all_else_is_gone() -> None:
    """The longest part that may be shortened gives way, with two dots, never within a word."""
    club = Part("Skerry Bay Divers and Friends of the North Slip:", 0, shorten=True)
    lead = Part("Anna Holt", 0, shorten=True)

    written = fit([club, Part("x" * 120, 0), lead, Part("sometimes", 1)], 1)

    assert written == f"Skerry Bay Divers and.. {'x' * 120} Anna Holt"


def test_a_name_of_one_long_word_is_cut_only_when_it_must_be() -> None:
    """A name without blanks still gives way rather than stop an alarm."""
    assert fit([Part("N" * 200, 0, shorten=True), Part("x" * 100, 0)], 1) == f"{'N' * 57}.. {'x' * 100}"


@pytest.mark.parametrize("closing", ['"', '".'])
def test_a_quotation_that_is_shortened_is_closed(closing: str) -> None:
    """However often it gives way; what follows is not part of it."""
    said = [Part('Anna: "we are', 0), Part(f"lost near the northern point{closing}", 0, shorten=True)]

    texts = [fit([*said, Part("x" * room, 0)], 1) for room in (121, 130, 139)]

    begun = ["lost near the", "lost near", "los" if closing == '"' else "lo"]
    assert [text.split(" x")[0] for text in texts] == [f'Anna: "we are {words}..{closing}' for words in begun]


def test_several_names_give_way_where_one_is_not_enough() -> None:
    """When no one name is long enough, each gives what it can."""
    names = [Part(f"{letter * 9} {letter * 9}", 0, shorten=True) for letter in "ABC"]

    written = fit([*names, Part("x" * 130, 0)], 1)

    assert len(written) <= 160
    assert written.endswith("x" * 130)
    assert [name[0] for name in written.split(" ")[:3]] == ["A", "B", "C"]


def test_what_cannot_fit_is_refused() -> None:
    """Where nothing may be dropped or shortened, the author of the text has made an error."""
    with pytest.raises(ValueError, match="do not fit into 1 segments"):
        fit([Part("x" * 161, 0)], 1)
    with pytest.raises(ValueError, match="do not fit into 1 segments"):
        fit([Part("x" * 158, 0), Part("No", 0, shorten=True)], 1)


PARTS = st.lists(st.builds(Part, st.text(max_size=120), st.integers(0, 4), st.booleans()), max_size=9)


@given(PARTS, st.integers(1, 3), st.integers(0, 80))
def test_a_fitted_text_fits_and_keeps_whole_parts_in_order(parts: list[Part], most: int, reserve: int) -> None:
    """Whatever the parts, the text is within its segments and no part that stays is out of place."""
    try:
        written = fit(parts, most, reserve)
    except ValueError:
        assert sum(septets(to_gsm7(part.text)) for part in parts if not part.drop) + reserve > 100
        return

    assert len(segments(written + "x" * reserve).parts) <= most
    rest = written
    for part in parts:
        whole = " ".join(to_gsm7(part.text).split())
        if not part.drop and not part.shorten:
            assert whole in rest
            rest = rest[rest.index(whole) + len(whole) :]
