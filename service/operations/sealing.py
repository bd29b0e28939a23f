"""What lies on this machine's disk beside the database: sealed, for this user only, and safe from a power cut.

It holds phone numbers, positions and words of people in trouble. Each use has a key of its own, made of the secret key.
"""

from __future__ import annotations

import base64
import os
import secrets
from pathlib import Path
from typing import Final

from cryptography.fernet import Fernet
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

from service.store.ownership import give_to_owner_of_directory

PRIVATE: Final = 0o600
PRIVATE_DIRECTORY: Final = 0o700
UNFINISHED: Final = ".unfinished"


def sealer(secret_key: str, use: str) -> Fernet:
    """Seals for one use alone, by HKDF (RFC 5869), so that it opens nothing else that the secret protects."""
    derived = HKDF(algorithm=SHA256(), length=32, salt=None, info=use.encode()).derive(secret_key.encode())
    return Fernet(base64.urlsafe_b64encode(derived))


def make_private(directory: Path) -> None:
    """Have a directory for this user only. Raises OSError when it cannot be had or written to.

    One that root makes, with a command by hand, is for whoever has the directory around it.
    """
    if not directory.is_dir():
        directory.mkdir(mode=PRIVATE_DIRECTORY, parents=True, exist_ok=True)
        give_to_owner_of_directory(directory.absolute())
    if not os.access(directory, os.R_OK | os.W_OK | os.X_OK):
        raise PermissionError(f"{directory} cannot be written to")


def write_whole(path: Path, content: bytes) -> None:
    """Put a file there, or leave what was there before; on return a power cut cannot take it away. Raises OSError."""
    unfinished = path.with_name(f"{path.stem}-{secrets.token_hex(4)}{UNFINISHED}")
    try:
        file = os.open(unfinished, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, PRIVATE)
        with os.fdopen(file, "wb") as out:
            out.write(content)
            out.flush()
            os.fsync(out.fileno())
        give_to_owner_of_directory(unfinished)
        unfinished.rename(path)
    except OSError:
        unfinished.unlink(missing_ok=True)
        raise
    # The name itself must outlast a power cut, too.
    sync_directory(path.parent)


def append_whole(path: Path, content: bytes) -> None:
    """Add to the end of a file; on return a power cut cannot take it away. Raises OSError.

    What fails half-way is taken away again where that can be done: a reader passes over the rest of such a line.
    """
    new = not path.exists()
    file = open_private(path, os.O_WRONLY | os.O_APPEND)
    try:
        before = os.fstat(file).st_size
        try:
            # One that was torn ends here, so that it spoils no more than itself.
            _write_all(file, content if before == 0 or _ends_whole(path) else b"\n" + content)
            os.fsync(file)
        except OSError:
            os.ftruncate(file, before)
            raise
    finally:
        os.close(file)
    if new:
        sync_directory(path.parent)


def open_private(path: Path, flags: int) -> int:
    """Open a file for this user only, which is made where it is not there. Raises OSError."""
    new = not path.exists()
    file = os.open(path, flags | os.O_CREAT | os.O_CLOEXEC, PRIVATE)
    if new:
        give_to_owner_of_directory(path)
    return file


def sync_directory(directory: Path) -> None:
    """Have the names in a directory outlast a power cut. Raises OSError."""
    file = os.open(directory, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(file)
    finally:
        os.close(file)


def _ends_whole(path: Path) -> bool:
    with path.open("rb") as file:
        file.seek(-1, os.SEEK_END)
        return file.read(1) == b"\n"


def _write_all(file: int, content: bytes) -> None:
    left = memoryview(content)
    while left:
        left = left[os.write(file, left) :]
