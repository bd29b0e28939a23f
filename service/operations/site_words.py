"""What the log says, in plain words, of sites, their tides, and the bounds on sending."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any, Final

Detail = Mapping[str, Any]

_NAMED_MAX: Final = 8


def _changed(verb: str) -> Callable[[Detail], str]:
    """Which site, and what is different there, by name; the detail of the entry has before and after."""

    def words(detail: Detail) -> str:
        names = [change["what"] for change in detail["changes"]]
        more = f" and {len(names) - _NAMED_MAX} more" if len(names) > _NAMED_MAX else ""
        told = ", ".join(names[:_NAMED_MAX]) + more if names else "nothing is different"
        return f"{verb} the site {detail['code']} ({detail['name']}): {told}."

    return words


def _use(words: str) -> Callable[[Detail], str]:
    def said(detail: Detail) -> str:
        going_on = ", ".join(detail["open_dives"])
        return f"{words} {detail['code']} ({detail['name']})." + (
            f" Dives went on there: {going_on}." if going_on else ""
        )

    return said


SITE_WORDS: Final[Mapping[str, Callable[[Detail], str]]] = MappingProxyType(
    {
        "site_added": lambda detail: f"Added the site {detail['code']} ({detail['name']}).",
        "site_changed": _changed("Changed"),
        "site_imported": _changed("Took from a file"),
        "site_retired": _use("Took out of use the site"),
        "site_brought_back": _use("Brought back the site"),
        "site_exported": lambda detail: f"Took out the site {detail['code']} as a file ({detail['format']}).",
        "tides_imported": lambda detail: f"Took {detail['count']} high and low waters of {detail['code']} from a file.",
        "tides_exported": lambda detail: f"Took out the tides of {detail['code']} as CSV.",
        "sending_bounded": lambda detail: f"A bound on sending was met ({detail['why']}), by: {detail['what']}.",
        "sending_changed": lambda _: "Changed the bounds on sending.",
    }
)
