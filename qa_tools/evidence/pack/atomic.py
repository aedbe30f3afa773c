"""A pack put in its place whole or not at all: its folder and its zip, whenever the work is cut."""

from __future__ import annotations

import ctypes
import datetime as dt
import os
import re
import secrets
import shutil
import sys
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from qa_tools.evidence.pack import manifest
from qa_tools.evidence.pack.unpack import ATTRIBUTES

_STAGED: Final = ".{name}.new-"
_ASIDE: Final = ".{name}.old"
_SWAP: Final = 2  # RENAME_EXCHANGE on Linux and RENAME_SWAP on macOS
_HERE: Final = -100  # AT_FDCWD: paths are not relative to an open folder
_LITTER: Final = (".DS_Store", "Thumbs.db", "desktop.ini")  # that a system leaves where one looks
_EARLIEST: Final = dt.datetime(1980, 1, 1, tzinfo=dt.UTC)  # that a zip can say


def zip_of(out: Path) -> Path:
    """Where the zip of a pack lies: beside its folder."""
    return out.with_name(f"{out.name}.zip")


def check(out: Path, works: Path) -> None:
    """
    Refuse a place where a pack would harm what is there.

    Raises
    ------
    ValueError
        The folder it would lie in is not there; something that is no pack has its name; or it would
        lie among the files of the works that are read.
    """
    if not out.name or out.name in (".", ".."):
        raise ValueError(f"{out}: give the pack a folder of its own, such as packs/2026-10")
    place, parent = out.resolve(), out.absolute().parent
    if not parent.is_dir():
        raise ValueError(f"there is no folder {out.parent}; make it first")
    home = works.resolve()
    read = home / "weights" if (home / "weights").is_dir() else home  # what a works reads below it
    if place == home or (home.is_dir() and read in (place, *place.parents)):
        raise ValueError(
            f"{out} lies among the files of the works, and would be read with them: put packs "
            "into a folder of their own"
        )
    if out.exists() or out.is_symlink():
        _check_ours(out)
    zipped = zip_of(out)
    if zipped.exists() and not out.exists() and not _aside(out).exists():
        raise ValueError(f"{zipped} is there without its folder: move it, or choose another name")
    if zipped.exists() and not _is_ours(zipped):
        raise ValueError(f"{zipped} is there and is no zip of an audit pack: move it away")


def _check_ours(out: Path) -> None:
    """Refuse a folder that holds anything but a pack: it would go when the next is put there."""
    try:
        if out.is_symlink():
            raise manifest.BadManifest("it is a link")
        facts = manifest.read((out / manifest.NAME).read_bytes())
    except (manifest.BadManifest, OSError):
        raise ValueError(f"{out} is there and is no audit pack: choose another name") from None
    more = [
        name for name, path in manifest.files_in(out)
        if name not in facts["files"] and name not in manifest.APART and path.name not in _LITTER
    ]  # fmt: skip
    if more:
        raise ValueError(
            f"{out / more[0]} is no part of the pack that is there, and would be lost with it: "
            "move it away first"
        )


def _is_ours(zipped: Path) -> bool:
    try:
        with zipfile.ZipFile(zipped) as archive:
            return any(name.endswith(f"/{manifest.NAME}") for name in archive.namelist())
    except (zipfile.BadZipFile, OSError):
        return False


@contextmanager
def staging(out: Path) -> Iterator[Path]:
    """
    A new folder beside a place, for a pack to be made in; gone afterwards unless it was put there.

    What a build that was killed left behind under this name is cleared away first.
    """
    recover(out)
    staged = out.absolute().parent / f"{_STAGED.format(name=out.name)}{secrets.token_hex(4)}"
    staged.mkdir()
    try:
        yield staged
    finally:
        shutil.rmtree(staged, ignore_errors=True)


def put(staged: Path, out: Path, made_at: dt.datetime) -> None:
    """
    Put a pack that is complete in its place, folder and zip, over the one that is there.

    Whenever this is cut off, under each of the two names lies the old pack or the new, whole. Where
    the system cannot swap two folders, the old one is for a moment aside under another name, and
    the next build puts it back.
    """
    zipped = staged.with_name(f"{staged.name}.zip")
    try:
        write_zip(staged, zipped, out.name, made_at)
        _to_disk(staged)
        if not out.exists():
            os.rename(staged, out)
        elif not _swapped(staged, out):
            aside = _aside(out)
            os.rename(out, aside)
            try:
                os.rename(staged, out)
            except OSError:  # somebody has a file of it open
                os.rename(aside, out)
                raise
            shutil.rmtree(aside)
        os.replace(zipped, zip_of(out))
    finally:
        zipped.unlink(missing_ok=True)


def recover(out: Path) -> None:
    """Clear away what a build that was killed left; put back a pack that stood aside."""
    aside = _aside(out)
    if aside.exists():
        if out.exists():
            shutil.rmtree(aside)
        else:
            os.rename(aside, out)
    ours = re.compile(re.escape(_STAGED.format(name=out.name)) + r"[0-9a-f]{8}(\.zip)?")
    for path in out.absolute().parent.iterdir():
        if ours.fullmatch(path.name):
            if path.is_dir() and not path.is_symlink():
                shutil.rmtree(path)
            else:
                path.unlink()


def _aside(out: Path) -> Path:
    return out.absolute().with_name(_ASIDE.format(name=out.name))


def write_zip(folder: Path, zipped: Path, name: str, made_at: dt.datetime) -> None:
    """A zip of a folder, all under one name; the same bytes for the same files and time."""
    day = max(made_at.astimezone(dt.UTC), _EARLIEST).timetuple()[:6]
    with zipfile.ZipFile(zipped, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
        for path, file in manifest.files_in(folder):
            entry = zipfile.ZipInfo(f"{name}/{path}", day)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.create_system = 3
            entry.external_attr = ATTRIBUTES
            archive.writestr(entry, file.read_bytes())
    with zipped.open("rb+") as done:
        os.fsync(done.fileno())


def _to_disk(folder: Path) -> None:
    """Have the system write every file of a folder before its name changes."""
    if hasattr(os, "sync"):
        os.sync()
        return
    for _, path in manifest.files_in(folder):
        with path.open("rb+") as done:
            os.fsync(done.fileno())


def _swapped(one: Path, other: Path) -> bool:
    """Two folders exchanged in one step; False where the system or its disk cannot."""
    paths = os.fsencode(one), os.fsencode(other.absolute())
    try:
        library = ctypes.CDLL(None, use_errno=True)
        if sys.platform == "linux":
            return bool(library.renameat2(_HERE, paths[0], _HERE, paths[1], _SWAP) == 0)
        if sys.platform == "darwin":
            return bool(library.renamex_np(paths[0], paths[1], _SWAP) == 0)
    except (AttributeError, OSError, TypeError):  # a system without that call
        return False
    return False
