"""A pack that comes from elsewhere, opened with care: a zip that may be hostile, or a folder."""

from __future__ import annotations

import stat
import struct
import tempfile
import unicodedata
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path, PurePosixPath
from typing import BinaryIO, Final

from qa_tools.evidence.pack.manifest import files_in

MOST_FILES: Final = 20_000
MOST_BYTES: Final = 2_000_000_000
_RATIO: Final = 1100  # deflate cannot press harder than 1 to 1032
_CHUNK: Final = 1 << 20
_LOCAL: Final = 30  # bytes of a local header without its name
_END: Final = 22  # bytes of the record that ends a zip
_END_MARK: Final = b"PK\x05\x06"


class Unsafe(ValueError):
    """A pack that is not opened, with the reason."""


@contextmanager
def opened(pack: Path) -> Iterator[Path]:
    """
    The folder of a pack, unpacked into a temporary one where it is a zip.

    Raises
    ------
    Unsafe
        A zip or a folder that is not what a pack of ours is: names that lead elsewhere, links,
        more files or bytes than any pack has, something hidden between or behind its files.
    ValueError
        There is no such file or folder.
    """
    if pack.is_dir():
        _check_folder(pack)
        yield pack
        return
    if not pack.is_file():
        raise ValueError(f"there is no pack {pack}; check the spelling")
    with tempfile.TemporaryDirectory(prefix="qa-tools-") as temporary:
        yield _unpacked(pack, Path(temporary))


def _check_folder(folder: Path) -> None:
    total = 0
    for number, (name, path) in enumerate(files_in(folder), 1):
        mode = path.lstat()
        if not stat.S_ISREG(mode.st_mode):
            raise Unsafe(f"{name} is a link or no plain file: a pack of ours has none")
        total += mode.st_size
        _limits(number, total)


def _limits(files: int, total: int) -> None:
    if files > MOST_FILES:
        raise Unsafe(f"it holds more than {MOST_FILES} files: no pack of ours does")
    if total > MOST_BYTES:
        raise Unsafe(f"it holds more than {MOST_BYTES / 1e9:g} GB: no pack of ours does")


def _unpacked(pack: Path, into: Path) -> Path:
    try:
        with pack.open("rb") as file, zipfile.ZipFile(file) as archive:
            entries = archive.infolist()
            top = _checked(entries, archive)
            _nothing_hidden(file, entries, archive.start_dir)
            total = 0
            for number, entry in enumerate(entries, 1):
                target = into.joinpath(*PurePosixPath(entry.filename).parts)
                target.parent.mkdir(parents=True, exist_ok=True)
                with archive.open(entry) as packed, target.open("xb") as plain:
                    while chunk := packed.read(_CHUNK):
                        total += len(chunk)
                        _limits(number, total)
                        plain.write(chunk)
                if target.stat().st_size != entry.file_size:
                    raise Unsafe(f"{entry.filename} is not as long as the zip says")
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, struct.error) as fault:
        raise Unsafe(f"the zip is damaged: {fault}") from None
    except (RuntimeError, OSError) as fault:
        raise Unsafe(f"the zip cannot be unpacked: {fault}") from None
    return into / top


def _checked(entries: list[zipfile.ZipInfo], archive: zipfile.ZipFile) -> str:
    """The one folder all entries lie in; refused where an entry is not as ours are."""
    if not entries:
        raise Unsafe("the zip is empty")
    if archive.comment:
        raise Unsafe("the zip carries a comment: ours do not")
    seen: set[str] = set()
    for entry in entries:
        name = entry.filename
        parts = name.split("/")
        if (
            name != entry.orig_filename
            or "\\" in name
            or ":" in name
            or any(part in ("", ".", "..") for part in parts)
            or any(ord(letter) < 32 for letter in name)
        ):
            raise Unsafe(f"{name!r} is a name that may lead elsewhere")
        if len(parts) < 2:
            raise Unsafe(f"{name!r} does not lie in the folder of the pack")
        same = unicodedata.normalize("NFC", name).casefold()
        if same in seen:
            raise Unsafe(f"{name!r} is there twice")
        seen.add(same)
        kind = stat.S_IFMT(entry.external_attr >> 16)
        if kind not in (0, stat.S_IFREG):
            raise Unsafe(f"{name!r} is a link or no plain file")
        if entry.flag_bits & 0x1:
            raise Unsafe(f"{name!r} is locked with a password")
        if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise Unsafe(f"{name!r} is packed in a way ours are not")
        if entry.comment or entry.extra:
            raise Unsafe(f"{name!r} carries more in the zip than its content: ours do not")
        if entry.file_size > _RATIO * max(entry.compress_size, 1):
            raise Unsafe(f"{name!r} unpacks to more than its size can hold")
    tops = {entry.filename.split("/")[0] for entry in entries}
    if len(tops) != 1:
        raise Unsafe(f"the zip holds several folders: {', '.join(sorted(tops)[:4])}")
    _limits(len(entries), sum(entry.file_size for entry in entries))
    return tops.pop()


def _nothing_hidden(file: BinaryIO, entries: list[zipfile.ZipInfo], listing: int) -> None:
    """Refuse bytes before, between or behind the entries, and headers that say two things."""
    at = 0
    for entry in sorted(entries, key=lambda one: one.header_offset):
        if entry.header_offset != at:
            raise Unsafe(f"something lies before {entry.filename!r} in the zip that is no entry")
        file.seek(at)
        header = file.read(_LOCAL)
        if len(header) != _LOCAL:
            raise Unsafe("the zip ends early")
        _, _, flags, method, time, day, check, packed, plain, name, extra = struct.unpack(
            "<4sHHHHHIIIHH", header
        )
        listed = entry.date_time
        told = (
            (day >> 9) + 1980, day >> 5 & 15, day & 31, time >> 11, time >> 5 & 63, (time & 31) * 2,
        )  # fmt: skip
        same = (entry.flag_bits, entry.compress_type, entry.CRC, entry.compress_size)
        if (flags, method, check, packed) != same or plain != entry.file_size or extra:
            raise Unsafe(f"{entry.filename!r} is said to be two things in the zip")
        if told != listed or name != len(file.read(name)):
            raise Unsafe(f"{entry.filename!r} is said to be two things in the zip")
        at += _LOCAL + name + packed
    file.seek(-_END, 2)
    if at != listing or file.read(4) != _END_MARK:
        raise Unsafe("something lies behind the files in the zip that is no entry")
