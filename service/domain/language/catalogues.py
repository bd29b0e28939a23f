"""The languages, and their catalogues in the format of gettext: English is the key, so it needs no catalogue.

A catalogue is data of the package, read once, as the rules of time zones are: it differs by release, never by machine.
"""

from __future__ import annotations

import io
from functools import cache
from gettext import GNUTranslations, NullTranslations
from importlib.resources import files

from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po

from service.domain.people import ENGLISH

LANGUAGES = (ENGLISH, "es", "fr", "de", "it")
"""ISO 639-1, English first."""


def is_language(code: str) -> bool:
    """Whether messages can be worded in the language of that code (ISO 639-1, small letters)."""
    return code in LANGUAGES


@cache
def translations(language: str) -> NullTranslations:
    """The catalogue of a language; for English and any other code one that leaves English as it is."""
    if language == ENGLISH or not is_language(language):
        return NullTranslations()
    source = files(__package__) / "catalogues" / f"{language}.po"
    compiled = io.BytesIO()
    try:
        write_mo(compiled, read_po(io.BytesIO(source.read_bytes()), locale=language))
        compiled.seek(0)
        return GNUTranslations(compiled)
    except Exception:  # noqa: BLE001 - an alarm in English is better than none; the tests see to the files
        return NullTranslations()
