"""Whose a file is that a command made by hand, often as root: the processes are to be able to use it."""

from __future__ import annotations

import os
from pathlib import Path


def give_to_owner_of_directory(path: Path) -> None:
    """Give what root has made to whoever has the directory that it lies in. Raises OSError."""
    if os.geteuid() == 0:
        around = path.parent.stat()
        os.chown(path, around.st_uid, around.st_gid)
