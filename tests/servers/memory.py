"""Temporary files in memory.

Databases under test sync to the disk at every commit, as they must; in memory that costs nothing, and on a disk it is
most of the time that all tests take. Where there is less room the tests stay on the disk.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from pathlib import Path

MEMORY = Path("/dev/shm")  # noqa: S108 - whoever writes there makes a directory of its own, for us alone
ROOM_NEEDED = 2 * 1024**3


def write_to_memory() -> None:
    """Have temporary files in memory, those of our children too, unless somebody has chosen a place."""
    if "TMPDIR" in os.environ or not os.access(MEMORY, os.W_OK | os.X_OK):
        return
    if shutil.disk_usage(MEMORY).free >= ROOM_NEEDED:
        os.environ["TMPDIR"] = tempfile.tempdir = str(MEMORY)
