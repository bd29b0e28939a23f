"""Setting up makes an environment of its own, and takes nobody else's for it."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

from tests.rules.source import ROOT


def test_an_environment_that_is_linked_to_is_not_emptied(tmp_path: Path) -> None:
    """It belongs to another checkout, whose processes may be running from it."""
    theirs, ours = tmp_path / "theirs", tmp_path / "ours"
    (ours / "deploy").mkdir(parents=True)
    theirs.mkdir()
    (theirs / "kept").touch()
    for name in ("prepare.py", "requirements.lock", "requirements-dev.lock"):
        shutil.copy(ROOT / "deploy" / name, ours / "deploy")
    shutil.copy(ROOT / "pyproject.toml", ours)
    (ours / ".venv").symlink_to(theirs)

    ended = subprocess.run(
        [sys.executable, str(ours / "deploy" / "prepare.py"), "run"],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )

    assert (ended.returncode, ended.stdout) == (
        1,
        ".venv is a link to another environment. Remove the link, then run this again.\n",
    )
    assert (theirs / "kept").exists()
