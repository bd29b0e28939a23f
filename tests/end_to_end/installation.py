"""What a shell's environment is for a process that a test starts as a person would."""

from __future__ import annotations

import os
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent


def as_if_nothing_was_set(directory: Path) -> dict[str, str]:
    """A shell's environment without what chooses another database, broker or gateway; temporary files go there."""
    told = {name: value for name, value in os.environ.items() if name not in ("DATABASE_URL", "BROKER_URL", "GATEWAYS")}
    return told | {"TMPDIR": str(directory)}
