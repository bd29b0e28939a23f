"""Make `.venv` from a hashed lock file, say what is going on, and do nothing where nothing has changed.

Runs under any Python 3.11 or newer with nothing installed: standard library only.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import re
import subprocess
import sys
import venv
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
ENVIRONMENT = ROOT / ".venv"
PYTHON = ENVIRONMENT / "bin" / "python"
RECORD = ENVIRONMENT / "linetender.json"
TURN = ROOT / ".setup" / "turn"

# What each use of the environment is made from. The second lock holds every pin of the first.
LOCKS = {
    "run": ("requirements.lock",),
    "develop": ("requirements-dev.lock", "requirements.lock"),
}

OLDEST = (3, 11)
TAIL_LINES = 25

# How pip names a package that it fetches, has already, or takes from a folder of wheels.
STEP = re.compile(
    r"(?:Collecting|Requirement already satisfied:) (?P<name>\S+)==(?P<version>[^\s;]+)"
    r"|Processing \S*?(?P<file>[\w.]+)-(?P<file_version>[^-/\s]+)-\S+\.whl"
)


class CannotPrepareError(Exception):
    """Setting up cannot go on; the message tells a person what to do."""


def say(line: str) -> None:
    """Tell the person at the terminal, at once."""
    print(line, flush=True)


def digest(path: Path) -> str:
    """SHA-256 of a file, in hex."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def wanted(use: str, version: str) -> dict[str, str]:
    """What the environment's record must say for this use; `version` is its Python's."""
    parts = {name: digest(ROOT / "deploy" / name) for name in LOCKS[use]}
    project = digest(ROOT / "pyproject.toml")
    return {**parts, "pyproject.toml": project, "python": version, "directory": str(ROOT)}


def recorded() -> dict[str, str]:
    """What the environment was last made from; empty where that is not known."""
    try:
        record = json.loads(RECORD.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return record if isinstance(record, dict) else {}


def version_of(python: Path) -> str | None:
    """The version of an interpreter, or None where it does not start or has no pip."""
    ask = [str(python), "-c", "import pip, sys; print('%d.%d' % sys.version_info[:2])"]
    try:
        answer = subprocess.run(ask, capture_output=True, text=True, check=True, timeout=30)
    except (OSError, subprocess.SubprocessError):
        return None
    return answer.stdout.strip()


def usable(version: str) -> bool:
    """Whether we run on this version of Python."""
    return tuple(map(int, version.split("."))) >= OLDEST


def ensure_environment() -> str:
    """Have a virtual environment whose Python starts, and return that Python's version.

    Raises:
        CannotPrepareError: when this Python cannot make one.

    """
    version = version_of(PYTHON)
    have = recorded()
    # Its commands name the directory they were made in, and its packages belong to one Python.
    moved = have.get("python", version) != version or have.get("directory", str(ROOT)) != str(ROOT)
    if version is not None and usable(version) and not moved:
        return version
    if ENVIRONMENT.is_symlink():
        # It is another checkout's, and making ours would empty it.
        raise CannotPrepareError(".venv is a link to another environment. Remove the link, then run this again.")
    if find_spec("ensurepip") is None:
        raise CannotPrepareError(
            "This Python cannot make virtual environments. On Debian or Ubuntu: apt-get install python3-venv"
        )
    say(f"Making .venv with Python {sys.version.split()[0]} ...")
    venv.EnvBuilder(clear=True, symlinks=True, with_pip=True).create(ENVIRONMENT)
    made = version_of(PYTHON)
    if made is None:
        raise CannotPrepareError("The new .venv does not start. Remove it and try again.")
    return made


def pip(*arguments: str) -> Iterator[str]:
    """Run pip in the environment and hand out its lines as they come.

    Raises:
        CannotPrepareError: when pip fails; its last lines are in the message.

    """
    command = [str(PYTHON), "-m", "pip", "install", "--no-input", "--disable-pip-version-check", *arguments]
    last: deque[str] = deque(maxlen=TAIL_LINES)
    with subprocess.Popen(
        command,
        cwd=ROOT,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
        text=True,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
    ) as process:
        for line in process.stdout or ():
            last.append(line.rstrip())
            yield line
    if process.returncode:
        raise CannotPrepareError("\n".join([*last, "Installing failed; what pip said last is above."]))


def install_lock(name: str) -> None:
    """Install exactly what one lock file pins, saying each package as it comes."""
    path = ROOT / "deploy" / name
    total = len(re.findall(r"^\S+==", path.read_text(encoding="utf-8"), re.MULTILINE))
    say(f"Fetching {total} packages, each checked against its hash in deploy/{name} ...")
    done = 0
    # The lock is whole: pip resolves nothing, so a release made after it changes nothing either.
    for line in pip("--require-hashes", "--no-deps", "--only-binary", ":all:", "--no-compile", "-r", str(path)):
        if line.startswith("Ignoring "):
            total -= 1
        elif found := STEP.match(line):
            done += 1
            name, version = filter(None, found.groups())
            say(f"  [{done:>3} of {total}] {name.replace('_', '-')} {version}")
        elif line.startswith("Installing collected"):
            say("Unpacking them ...")


def compile_packages() -> None:
    """Compile them on all cores at once, where pip takes one; what cannot be compiled is left to whoever loads it."""
    say("Compiling them ...")
    [packages] = ENVIRONMENT.glob("lib/python*/site-packages")
    subprocess.run([str(PYTHON), "-m", "compileall", "-qq", "-j", "0", str(packages)], check=False)


def install_project() -> None:
    """Put our own code and its command into the environment, from this very directory."""
    say("Putting the linetender command into .venv ...")
    for _ in pip("--no-deps", "--no-build-isolation", "--no-index", "--editable", str(ROOT)):
        pass


@contextmanager
def my_turn() -> Iterator[None]:
    """Let one preparation at a time work on the environment."""
    TURN.parent.mkdir(exist_ok=True)
    with TURN.open("w", encoding="utf-8") as turn:
        fcntl.flock(turn, fcntl.LOCK_EX)
        yield


def prepare(use: str) -> None:
    """Bring the environment to what one use needs.

    Raises:
        CannotPrepareError: when that is not possible; the next run begins where this one stopped.

    """
    want = wanted(use, ensure_environment())
    have = recorded()
    if want.items() <= have.items():
        return
    RECORD.unlink(missing_ok=True)
    lock = LOCKS[use][0]
    if have.get(lock) != want[lock]:
        install_lock(lock)
        compile_packages()
        have = {}
    install_project()
    RECORD.write_text(json.dumps({**have, **want}, indent=2), encoding="utf-8")
    say("The environment is ready.")


def main() -> int:
    """Prepare for the use named on the command line (`run` or `develop`); 0 when that worked."""
    if sys.version_info < OLDEST:
        say("Linetender needs Python 3.11 or newer.")
        return 1
    try:
        with my_turn():
            prepare(sys.argv[1])
    except CannotPrepareError as problem:
        say(str(problem))
        return 1
    except KeyboardInterrupt:
        say("\nStopped. The same command goes on from here.")
        return 130
    return 0


if __name__ == "__main__":
    sys.exit(main())
