"""What is said to people before it is in any language, and the languages that it can be said in.

A message is made of phrases, and a phrase is English with named gaps and what goes into them:

    say("{name} has the alarm since {time}.", name=Name(by.name), time=Moment(at, zone, now))
    count("{count} diver", "{count} divers", head_count)

It becomes words only when it is known who reads it: `render(phrase, person.language)`. To add a message:

1. Write the English as a literal in `say(...)`, a whole sentence where that can be: other languages order their
   words differently. Never build a sentence out of fragments of one, and never put a value into it by an f-string.
2. What must not be translated is a value: numbers, codes, references, commands that people text (OK, CALLED, SAFE,
   OUT ...) as `str`, people and places as `Name(...)` (only these may be shortened when all else fails), times as
   `Moment(...)`, lengths as `Length(...)`. A value may be another phrase. Commands may also stand in the sentence.
3. Run tests/domain/test_catalogues.py: it names what the catalogues in `service/domain/language/catalogues` lack.
"""

from __future__ import annotations

from service.domain.language.catalogues import LANGUAGES, is_language
from service.domain.language.phrase import Length, Moment, Name, Phrase, Words, count, fragments, render, say

__all__ = [
    "LANGUAGES",
    "Length",
    "Moment",
    "Name",
    "Phrase",
    "Words",
    "count",
    "fragments",
    "is_language",
    "render",
    "say",
]
