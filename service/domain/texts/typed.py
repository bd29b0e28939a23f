"""A text made ready for reading: what does not matter taken away, everything else kept."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass

from service.domain.place.link import bare_of_links
from service.domain.place.position import PLAIN_SIGNS

LONGEST_FORM = 1600
"""Characters. Providers cut texts here; what is longer is never a form, only searched for trouble."""

_ASKING = frozenset("?\uff1f\u2753\u2754\u061f\u00bf\u2047\u2048\u2049\u037e")
"""Every question mark that a phone can type: full width, emoji, Arabic, Spanish, doubled and Greek."""

# Emoji are punctuation, but for those that deny and the one that calls for rescue. Ballots and crosses, signs that
# forbid, a no by hand or thumb, and unequal; a hand may have any colour of skin, which is a character of its own.
_DENYING = "❌❎✖✗✘✕☒🗙🗴🗵🗶🗷🚫⛔🛑🚷🆖👎🙅≠"
_DOTLESS = {"\u0131": "i"}  # the letter that a Turkish keyboard makes of a capital I
_TELLING = str.maketrans({**dict.fromkeys(_DENYING, " not "), "🆘": " sos ", **_DOTLESS})

BREAK = "|"
"""Stands in clauses where one ends."""
# What cleaning makes a blank or a hyphen of ends a clause all the same, and no emoji denies what is beside it.
_ENDS_CLAUSE = str.maketrans(dict.fromkeys("\n\r\v\f\x85\u2028\u2029\u2013\u2014\u2015", " . "))
_TELLING_APART = str.maketrans({**dict.fromkeys(_DENYING, " . not . "), "🆘": " . sos . ", **_DOTLESS})
_DENIALS = frozenset(("no", "nope", "nah", "not", "never", "none", "nothing", "nobody"))

_TOKEN = re.compile(r"(?:(?<![\w.,])[+-])?\d+(?:[.,:/-]\d+)*[^\W_]*|[^\W_]+(?:(?<=\d)\.\d\b)?")

_GLUED = re.compile(r"(in|out|late|safe|called|ok|okay|sos|plan|nogo|code|ref|delay|extend|until|till?|at)(\d.*)")

_SAME_WORD = {
    "were": "we are",
    "im": "i am",
    "theyre": "they are",
    "weve": "we have",
    "ive": "i have",
    "theyve": "they have",
    "cannot": "cant",
    "okay": "ok",
    "okey": "ok",
    "r": "are",
    "til": "until",
    "till": "until",
    "coastguards": "coastguard",
    "noone": "nobody",
    "agréé": "agree",  # what a French phone makes of the two words that a contact is asked for
    "agrée": "agree",
    "décline": "decline",
    "zero": "0",
    "one": "1",
    "two": "2",
    "three": "3",
    "four": "4",
    "five": "5",
    "six": "6",
    "seven": "7",
    "eight": "8",
    "nine": "9",
    "ten": "10",
    "eleven": "11",
    "twelve": "12",
    "fifteen": "15",
    "twenty": "20",
    "thirty": "30",
    "forty": "40",
    "fifty": "50",
    "sixty": "60",
    "ninety": "90",
}

_SAME_PHRASE = (
    (re.compile(r"\bcan not\b"), "cant"),
    (re.compile(r"\bcoast guard\b"), "coastguard"),
    (re.compile(r"\bno 1\b"), "nobody"),
    (re.compile(r"\bs o s\b"), "sos"),
    (re.compile(r"\bo k\b"), "ok"),
)
_NOW = re.compile(r"\bnow\b")

_POLITE_WORDS = (
    r"(?:many thanks|thank ?you(?: (?:so|very) much| all)?"
    r"|thanks(?: (?:so|very) much| a lot| all| everyone| mate)?"
    r"|thx|thnx|tks|ty|ta|cheers|please|pls|plz|now|hi(?: there| all(?! (?:ok|safe|well|good|fine)\b))?|hello|hey"
    r"|(?:vielen )?dank|danke(?: sch(?:ö|oe)n)?|bitte|merci(?: beaucoup)?|(?:muchas )?gracias|por favor"
    r"|grazie(?: mille)?|per favore|good (?:morning|afternoon|evening)|kind regards|regards|sorry|xxx|xx|x)"
)
_POLITE = re.compile(rf"\b{_POLITE_WORDS}\b")
_POLITE_NOT_NOW = re.compile(rf"\b(?!now\b){_POLITE_WORDS}\b")
_POLITE_EDGES = re.compile(rf"^\W*(?:{_POLITE_WORDS}\b[^\w+-]*)+|(?:(?<!\S)\W*{_POLITE_WORDS}\b)+\W*$", re.IGNORECASE)


LOST = "\N{REPLACEMENT CHARACTER}"

# Strokes and bars that a phone lays over letters, the prohibition sign, and the tildes by which programs strike out.
_STRUCK_OUT = re.compile("[\u0335-\u0338\u20d2\u20d3\u20d8\u20e0\u20e5\u20e6\u20ea\u20eb]|~[^~]+~")


@dataclass(frozen=True, slots=True)
class Typed:
    """One text, cleaned."""

    plain: str
    """As typed but in one line, with plain quotes and dashes and without invisible characters."""
    words: str
    """Lower case words and numbers, without polite words: what has to be one known form."""
    words_with_now: str
    """The same with `now` left in, since a plan may say it."""
    asked: bool
    """There is a question mark."""
    whole: bool
    """False where the text was too long to be kept whole, lost a character on the way, or is partly struck out."""
    original: str
    """As it came, cut where it was far too long."""

    @property
    def clauses(self) -> str:
        """The words with a break wherever more than a blank parted two of them.

        No denial reaches across one: in "No, help" nothing is denied.
        """
        plain = _plain(self.original.translate(_ENDS_CLAUSE))
        bare = _bare(plain[: 2 * LONGEST_FORM], _TELLING_APART)
        parts: list[str] = []
        end = 0
        for match in _TOKEN.finditer(bare):
            if parts:
                parts.append(_between(bare[end : match.start()], parts[-1], match[0]))
            parts.append(_spelled(match[0]))
            end = match.end()
        words = with_same_phrases(" ".join(parts))
        return _squeezed(_NOW.sub(" ", _POLITE_NOT_NOW.sub(f" {BREAK} ", words)))


def typed(text: str) -> Typed:
    """Clean any text whatever."""
    kept = text[: 2 * LONGEST_FORM]
    plain = _plain(kept)
    words = _words(plain[:LONGEST_FORM])
    return Typed(
        plain=plain[:LONGEST_FORM],
        words=_squeezed(_POLITE.sub(" ", words)),
        words_with_now=_squeezed(_POLITE_NOT_NOW.sub(" ", words)),
        asked=not _ASKING.isdisjoint(bare_of_links(kept)),
        # What was lost may have been a "not": half an emoji arrives as U+FFFD.
        # What is struck out is taken back, and still may be a cry for help.
        whole=kept == text and len(plain) <= LONGEST_FORM and LOST not in text and not _STRUCK_OUT.search(kept),
        original=kept,
    )


def without_courtesies(plain: str) -> str:
    """Take polite words and stray punctuation off both ends, for what is read by its characters."""
    return _POLITE_EDGES.sub("", plain).strip(" .,;:!?()<>*_")


def _plain(text: str) -> str:
    """Make one line of ordinary characters of a text."""
    characters = []
    # Signs are translated before NFKC, which would take primes apart, and after it for those that it makes.
    for character in unicodedata.normalize("NFKC", text.translate(PLAIN_SIGNS)).translate(PLAIN_SIGNS):
        category = unicodedata.category(character)
        if category == "Nd":
            characters.append(str(unicodedata.decimal(character)))
        elif category in ("Cc", "Zl", "Zp", "Zs"):
            characters.append(" ")
        elif category not in ("Cf", "Cs"):
            characters.append(character)
    return _squeezed("".join(characters))


def _bare(plain: str, telling: dict[int, str]) -> str:
    """Take away capitals, quotes and accents that stand apart, and say in words what some emoji tell."""
    return "".join(
        character
        for character in plain.lower().translate(telling)
        if character not in "'\"" and unicodedata.category(character) not in ("Mn", "Me")
    )


def _words(plain: str) -> str:
    """Split a text into its words and numbers, each in its one spelling."""
    return with_same_phrases(" ".join(_spelled(token) for token in _TOKEN.findall(_bare(plain, _TELLING))))


def _spelled(token: str) -> str:
    """Spell one word, or the two that were glued together."""
    glued = _GLUED.fullmatch(token)
    return " ".join(glued.groups()) if glued else _SAME_WORD.get(token, token)


def folded(words: str) -> str:
    """The words without accents, and with the two letters that stand for a sharp s: half of all phones write so."""
    apart = unicodedata.normalize("NFD", words.replace("\N{LATIN SMALL LETTER SHARP S}", "ss"))
    return "".join(character for character in apart if unicodedata.category(character) != "Mn")


def with_same_phrases(words: str) -> str:
    """Write what is said in several ways in one."""
    words = _squeezed(words)
    for phrase, same in _SAME_PHRASE:
        words = phrase.sub(same, words)
    return words


def _between(gap: str, before: str, after: str) -> str:
    """Say what stands between two words: nothing, `and`, or a break.

    A stroke or a hyphen without blanks joins (left/right, car-park), but not to a denial, unless it is no-one; nor do
    the full stops of S.O.S. part it.
    """
    sign = gap.strip(" *_")
    if not sign or (gap == "." and len(before) == len(after) == 1):
        return ""
    if sign in ("&", "+"):
        return "and"
    joins = gap in ("-", "/") and (before not in _DENIALS or (before, after) == ("no", "one"))
    return "" if joins else BREAK


def _squeezed(text: str) -> str:
    """Leave one space between words and none outside."""
    return " ".join(text.split())
