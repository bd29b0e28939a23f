"""The GSM 7-bit alphabet and the cutting of texts against published values.

Sources:
[1] 3GPP TS 23.038 clause 6.2.1 (default alphabet) and 6.2.1.1 (extension table)
[2] 3GPP TS 23.040 clause 9.2.3.24.1 (concatenated texts: 153 septets or 67 UCS-2 units a part, no escape pair
    and no UCS-2 character split)
"""

from __future__ import annotations

import sys

import pytest

from service.domain.encoding import Encoding, Segments, is_gsm7, segments, septets

# [1] Codes 0x00 to 0x7F in order, without 0x1B, the escape.
DEFAULT_ALPHABET = (
    "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?"
    "¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà"
)
EXTENSION_TABLE = "\f^{}\\[~]|€"

GSM7, UCS2 = Encoding.GSM7, Encoding.UCS2


def test_the_default_alphabet_has_127_characters_of_one_septet() -> None:
    """[1] Every character of the table, in code order, is one septet."""
    assert len(DEFAULT_ALPHABET) == 127
    assert [septets(character) for character in DEFAULT_ALPHABET] == [1] * 127


@pytest.mark.parametrize("character", EXTENSION_TABLE, ids=ascii)
def test_a_character_of_the_extension_table_has_two_septets(character: str) -> None:
    """[1] Form feed, caret, braces, backslash, brackets, tilde, bar and the euro sign: an escape and a code."""
    assert septets(character) == 2


def test_no_other_character_is_in_the_alphabet() -> None:
    """[1] The two tables are all there is."""
    found = {chr(code) for code in range(sys.maxunicode + 1) if is_gsm7(chr(code))}

    assert found == set(DEFAULT_ALPHABET) | set(EXTENSION_TABLE)


@pytest.mark.parametrize(
    ("text", "encoding", "units", "parts"),
    [
        pytest.param("a" * 160, GSM7, 160, (160,), id="[2] 160 septets alone"),
        pytest.param("a" * 161, GSM7, 161, (153, 8), id="[2] 161 septets"),
        pytest.param("a" * 306, GSM7, 306, (153, 153), id="[2] 306 septets"),
        pytest.param("a" * 307, GSM7, 307, (153, 153, 1), id="[2] 307 septets"),
        pytest.param("a" * 459, GSM7, 459, (153, 153, 153), id="[2] 459 septets"),
        pytest.param("a" * 460, GSM7, 460, (153, 153, 153, 1), id="[2] 460 septets"),
        pytest.param("a" * 152 + "{" + "b" * 100, GSM7, 254, (152, 102), id="[2] an escape pair at a seam"),
        pytest.param("ж" * 70, UCS2, 70, (70,), id="[2] 70 Cyrillic letters"),
        pytest.param("ж" * 134, UCS2, 134, (67, 67), id="[2] 134 Cyrillic letters"),
        pytest.param("😀" * 35, UCS2, 70, (70,), id="[2] 35 emoji"),
        pytest.param("😀" * 67, UCS2, 134, (66, 66, 2), id="[2] 67 emoji, 33 pairs to a part"),
        pytest.param("a" * 69 + "😀", UCS2, 71, (67, 4), id="[2] a pair at a seam"),
        pytest.param("a" * 68 + "😀", UCS2, 70, (70,), id="[2] 68 letters and an emoji"),
        pytest.param("50°36.5'N", UCS2, 9, (9,), id="[1] the degree sign is not in the alphabet"),
        pytest.param("50 36.522N 001 56.976W", GSM7, 22, (22,), id="[1] a plain position"),
        pytest.param("`", UCS2, 1, (1,), id="[1] no backtick"),
        pytest.param("á", UCS2, 1, (1,), id="[1] no a acute"),
        pytest.param("é", GSM7, 1, (1,), id="[1] e acute"),
        pytest.param("Ç", GSM7, 1, (1,), id="[1] capital c cedilla"),
        pytest.param("ç", UCS2, 1, (1,), id="[1] no small c cedilla"),
        pytest.param("\t", UCS2, 1, (1,), id="[1] no tab"),
        pytest.param("\u2013", UCS2, 1, (1,), id="[1] no en dash"),
        pytest.param("\u0391", UCS2, 1, (1,), id="[1] no Greek alpha"),
        pytest.param("\u0394", GSM7, 1, (1,), id="[1] Greek delta"),
        pytest.param("a\nb", GSM7, 3, (3,), id="[1] a line feed counts one"),
    ],
)
def test_a_text_is_cut_as_published(text: str, encoding: Encoding, units: int, parts: tuple[int, ...]) -> None:
    """The encoding, the units in all and the units of each part are those of the standards."""
    assert segments(text) == Segments(encoding, units, parts)
