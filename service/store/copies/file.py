"""A backup is one file: a zip with the copy of the database, and a manifest that says what it is."""

from __future__ import annotations

import hashlib
import os
import shutil
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import IO, Final

import msgspec

from service.store.copies.fault import CopyError

FORMAT: Final = 1
MANIFEST: Final = "manifest.json"
DATABASE: Final = "database"
MANIFEST_MAX: Final = 4 * 2**20
_BLOCK: Final = 2**20
_AT_1980: Final = (1980, 1, 1, 0, 0, 0)  # the manifest says when; a zip knows no zones


class Manifest(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What is in a backup. `heads`: the last entry of each chain of the log, but for those of dives.

    `heads_sha256` is over the heads of all chains, in the order of their names, a line `chain seq hash` each;
    `sha256` and `size` are those of the copy of the database.
    """

    format: int
    made_at: datetime
    program: str
    kind: str
    schema: str
    clubs: int
    dives: dict[str, int]
    entries: int
    heads: dict[str, tuple[int, str]]
    heads_sha256: str
    sha256: str = ""
    size: int = 0


def write(copy: Path, manifest: Manifest, to: Path) -> Manifest:
    """Write the file `to`, for its owner alone: whole or not at all. Raises CopyError, also where it is there already.

    `copy` lies in a directory of ours on the same disk.
    """
    part = copy.with_name("part")
    digest = hashlib.sha256()
    # A dump is compressed already.
    how = zipfile.ZIP_DEFLATED if manifest.kind == "sqlite" else zipfile.ZIP_STORED
    with part.open("xb") as file:
        os.fchmod(file.fileno(), 0o600)
        with zipfile.ZipFile(file, "w", how, compresslevel=1) as whole:
            with copy.open("rb") as source, whole.open(_named(DATABASE, how), "w", force_zip64=True) as inside:
                while block := source.read(_BLOCK):
                    digest.update(block)
                    inside.write(block)
            told = msgspec.structs.replace(manifest, sha256=digest.hexdigest(), size=copy.stat().st_size)
            whole.writestr(_named(MANIFEST, zipfile.ZIP_DEFLATED), msgspec.json.encode(told))
        file.flush()
        os.fsync(file.fileno())
    try:
        os.link(part, to)  # which, unlike a renaming, overwrites nothing
    except FileExistsError:
        raise CopyError(f"{to} is there already: name another file") from None
    _sync(to.parent)
    return told


def _named(name: str, how: int) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name, _AT_1980)
    info.compress_type = how
    return info


def _sync(directory: Path) -> None:
    handle = os.open(directory, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def read(backup: Path) -> Manifest:
    """What the backup says of itself. Raises CopyError."""
    with _opened(backup) as whole:
        return _manifest(whole)


def unpack(backup: Path, to: Path) -> Manifest:
    """Write the copy of the database into the new file `to`. Raises CopyError unless it is as the manifest says."""
    with _opened(backup) as whole:
        manifest = _manifest(whole)
        digest = hashlib.sha256()
        with whole.open(DATABASE) as inside, to.open("xb") as target:
            _copy(inside, target, digest)
        if (digest.hexdigest(), to.stat().st_size) != (manifest.sha256, manifest.size):
            raise CopyError(f"{backup} is damaged: the database in it is not the one that its manifest describes")
        return manifest


def _copy(source: IO[bytes], target: IO[bytes], digest: hashlib._Hash) -> None:
    while block := source.read(_BLOCK):
        digest.update(block)
        target.write(block)


@contextmanager
def _opened(backup: Path) -> Iterator[zipfile.ZipFile]:
    try:
        with zipfile.ZipFile(backup) as whole:
            if {MANIFEST, DATABASE} - set(whole.namelist()):
                raise CopyError(f"{backup} is no backup of Linetender")
            yield whole
    except (zipfile.BadZipFile, zlib.error, EOFError) as fault:
        raise CopyError(f"{backup} is no backup of Linetender, or was cut off or damaged ({fault})") from None


def _manifest(whole: zipfile.ZipFile) -> Manifest:
    if whole.getinfo(MANIFEST).file_size > MANIFEST_MAX:
        raise CopyError("the manifest of the backup is too long to be one")
    raw = whole.read(MANIFEST)
    try:
        found = msgspec.json.decode(raw, type=dict[str, object]).get("format")
        if isinstance(found, int) and found > FORMAT:
            raise CopyError("the backup was made by a newer version of Linetender: restore it with that")
        return msgspec.json.decode(raw, type=Manifest)
    except msgspec.MsgspecError as fault:
        raise CopyError(f"the manifest of the backup cannot be read: {fault}") from None


def room_for(size: int, directory: Path) -> None:
    """Raise CopyError unless so many bytes fit on the disk of a directory."""
    free = shutil.disk_usage(directory).free
    if free < size:
        raise CopyError(f"no room in {directory}: {size // 2**20 + 1} MiB are needed and {free // 2**20} MiB are free")
