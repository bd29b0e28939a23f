"""The spelling alphabet against its published words.

Source: ITU Radio Regulations, Appendix 14, and ICAO Annex 10, Volume II, 5.2.1.3. The texts themselves were not opened;
the words are those of several public lists that give them as the source.
"""

from __future__ import annotations

from string import ascii_lowercase, ascii_uppercase

from service.domain.place.spelling import spell

WORDS = (
    "Alfa Bravo Charlie Delta Echo Foxtrot Golf Hotel India Juliett Kilo Lima Mike November Oscar Papa Quebec Romeo"
    " Sierra Tango Uniform Victor Whiskey X-ray Yankee Zulu"
)


def test_each_letter_has_the_word_of_the_regulations() -> None:
    """Alfa with an f and Juliett with two t, so that nobody reads them wrongly in any language."""
    assert spell(ascii_uppercase) == WORDS
    assert spell(ascii_lowercase) == WORDS
