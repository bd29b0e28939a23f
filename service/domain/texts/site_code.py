"""Whether a site can be named in a text by its code: the code must never be read as anything else."""

from __future__ import annotations

from service.domain.texts.intent import Intent, Kind
from service.domain.texts.reading import read


def code_clash(code: str) -> str | None:
    """Why divers could not text this code of a site, in words; None where they can.

    It is tried in the very texts that name a site, so whatever the reading of texts learns is seen here too.
    """
    alone = read(code)
    if alone.kind is not Kind.UNCLEAR or alone.ref is not None:
        return f'"{code}" alone means something in a text already ({_meant(alone)}). Choose another code.'
    for text, kind in ((f"IN {code} 50 P2", Kind.START), (f"PLAN {code} 1000 50 P2", Kind.PLAN)):
        if not _is_read(read(text), kind, code):
            return f'"{text}" would not be read as meant. Choose another code: a name, and no word of a text.'
    return None


def _is_read(intent: Intent, kind: Kind, code: str) -> bool:
    whole = (intent.minutes, intent.count, intent.code, intent.ref) == (50, 2, None, None)
    return intent.kind is kind and whole and (intent.site or "").casefold() == code.casefold()


def _meant(intent: Intent) -> str:
    return "a reference" if intent.ref is not None else str(intent.kind).replace("_", " ")
