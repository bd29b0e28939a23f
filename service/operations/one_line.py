"""What somebody typed as words on one line. Pure."""

from __future__ import annotations

import re
from typing import Final

# No database keeps a NUL in its columns, and a dive whose row differs from its log looks as if it had been changed.
_CONTROL: Final = re.compile("[\x00-\x1f\x7f-\x9f]")


def one_line(typed: str) -> str:
    """The words with one space between them, and without what no keyboard of a person gives."""
    return " ".join(_CONTROL.sub(" ", typed).split())
