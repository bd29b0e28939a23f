"""Write the lock files: every dependency, direct or not, for every Python we run on, with its hashes.

The files must say the same wherever they are made and name no place to fetch from, so the settings of this
machine's own installers are kept out.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
RUN = "deploy/requirements.lock"
DEVELOP = "deploy/requirements-dev.lock"
OVERRIDES = "deploy/overrides.txt"

HEADING = """\
# {purpose}
# Made by `make lock` from pyproject.toml; do not edit. One file serves Python 3.11 and every later one.
"""


def own_environment() -> dict[str, str]:
    """Our environment without the installer settings that would change what is resolved."""
    return {name: value for name, value in os.environ.items() if not name.startswith(("PIP_", "UV_"))}


def resolve(target: str, purpose: str, *options: str) -> None:
    """Write one lock file, keeping its present pins where they still hold.

    Raises:
        subprocess.CalledProcessError: when no set of releases satisfies pyproject.toml.
        ValueError: when the file would name a place.

    """
    command = [
        *(str(Path(sys.executable).with_name("uv")), "pip", "compile", "pyproject.toml"),
        *("--universal", "--python-version", "3.11", "--generate-hashes", "--strip-extras"),
        *("--no-config", "--no-header", "--no-emit-index-url", "--no-emit-find-links", "--quiet"),
        *("--output-file", target, *options),
    ]
    subprocess.run(command, cwd=ROOT, env=own_environment(), check=True, stdout=subprocess.DEVNULL)
    path = ROOT / target
    text = HEADING.format(purpose=purpose) + path.read_text(encoding="utf-8")
    if "://" in text or str(ROOT) in text:
        raise ValueError(f"{target} names a place; a lock file must not")
    path.write_text(text, encoding="utf-8")
    print(f"wrote {target}")


def main() -> None:
    """Write both files; the second holds every pin of the first."""
    wishes = sys.argv[1:]
    resolve(RUN, "What Linetender needs to run.", "--extra", "build", *wishes)
    resolve(
        *(DEVELOP, "What work on Linetender needs: all of requirements.lock, and the tools."),
        *("--extra", "build", "--extra", "dev", "--constraint", RUN, "--override", OVERRIDES, *wishes),
    )


if __name__ == "__main__":
    main()
