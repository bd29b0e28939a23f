"""Which versions of Celery, kombu and redis have been tried together.

Pairs of these have gone deaf before: a worker that is up, connected, and never takes a task again. So a set
that nobody has tried does not start; the keeper raises alarms meanwhile.
"""

from __future__ import annotations

from collections.abc import Iterable
from importlib.metadata import version
from typing import Final

Versions = tuple[str, str, str]

NAMES: Final = ("celery", "kombu", "redis")

# Each went through the tests with real processes: killed, frozen, and with a link that was half open.
TRIED: Final[frozenset[Versions]] = frozenset({("5.7.0", "5.7.0", "8.1.0")})


class UntriedVersionsError(RuntimeError):
    """This set of versions was never tried together; the message names it and those that were."""


def installed() -> Versions:
    """The versions of Celery, kombu and redis in this environment."""
    celery, kombu, redis = (version(name) for name in NAMES)
    return celery, kombu, redis


def check_versions(found: Versions, tried: Iterable[Versions] = TRIED) -> None:
    """Raises UntriedVersionsError unless these versions were tried together."""
    tried = frozenset(tried)
    if found not in tried:
        raise UntriedVersionsError(
            f"{_words(found)} were never tried together and may stop taking tasks without a word. "
            f"Tried: {'; '.join(_words(one) for one in sorted(tried))}. Install what the lock file names."
        )


def _words(versions: Versions) -> str:
    return ", ".join(f"{name} {number}" for name, number in zip(NAMES, versions, strict=True))
