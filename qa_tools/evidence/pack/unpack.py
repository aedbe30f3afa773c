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
ATTRIBUTES: Final = (stat.S_IFREG | 0o644) << 16  # of every file in a zip of ours
_VERSION: Final = 20  # of the form of a zip that ours have
_UTF8: Final = 0x800  # the flag of a name that is not plain ASCII
_LOCAL: Final = 30  # bytes of a local header without its name
_LISTED: Final = 46  # and of its line in the list at the end
_END: Final = 22  # bytes of the record that ends a zip
_LOCAL_MARK: Final = b"PK\x03\x04"
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


def one_of(pack: Path, name: str) -> bytes:
    """
    The content of one file of a pack, folder or zip.

    Raises
    ------
    Unsafe
        It is not there, or the pack is not what one of ours is.
    """
    if pack.is_dir():
        path = pack / name
        if path.is_symlink() or not path.is_file() or path.stat().st_size > MOST_BYTES:
            raise Unsafe(f"it has no {name}")
        return path.read_bytes()
    with _archive(pack) as (file, entries):
        for entry in entries:
            if entry.filename.split("/", 1)[1] == name:
                return b"".join(_content(file, entry))
    raise Unsafe(f"it has no {name}")


@contextmanager
def _archive(pack: Path) -> Iterator[tuple[BinaryIO, list[zipfile.ZipInfo]]]:
    """A zip and its entries, everything about them checked but their content."""
    try:
        if pack.stat().st_size > MOST_BYTES:
            raise Unsafe(f"it is longer than {MOST_BYTES / 1e9:g} GB: no pack of ours is")
        with pack.open("rb") as file, zipfile.ZipFile(file) as archive:
            entries = archive.infolist()
            _checked(entries, archive)
            _nothing_hidden(file, entries, archive.start_dir)
            yield file, entries
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, struct.error) as fault:
        raise Unsafe(f"the zip is damaged: {fault}") from None
    except (RuntimeError, OSError) as fault:
        raise Unsafe(f"the zip cannot be unpacked: {fault}") from None


def _unpacked(pack: Path, into: Path) -> Path:
    with _archive(pack) as (file, entries):
        total = 0
        for number, entry in enumerate(entries, 1):
            target = into.joinpath(*PurePosixPath(entry.filename).parts)
            target.parent.mkdir(parents=True, exist_ok=True)
            with target.open("xb") as plain:
                for chunk in _content(file, entry):
                    total += len(chunk)
                    _limits(number, total)
                    plain.write(chunk)
        return into / entries[0].filename.split("/")[0]


def _content(file: BinaryIO, entry: zipfile.ZipInfo) -> Iterator[bytes]:
    """
    What an entry unpacks to, in pieces.

    Not by `zipfile`, which stops where the header says and leaves unseen what is packed behind it.
    """
    file.seek(entry.header_offset + _LOCAL + len(_packed_name(entry)))
    left, size, check = entry.compress_size, 0, 0
    inflate = zlib.decompressobj(-zlib.MAX_WBITS)
    while not inflate.eof:
        packed = inflate.unconsumed_tail
        if not packed:
            packed = file.read(min(left, _CHUNK))
            left -= len(packed)
        chunk = inflate.decompress(packed, _CHUNK)
        if not packed and not chunk and not inflate.eof:
            raise Unsafe(f"{entry.filename!r} ends early")
        size, check = size + len(chunk), zlib.crc32(chunk, check)
        yield chunk
    if left or inflate.unused_data or (size, check) != (entry.file_size, entry.CRC):
        raise Unsafe(f"{entry.filename!r} is not what the zip says it is")


def _packed_name(entry: zipfile.ZipInfo) -> bytes:
    return entry.orig_filename.encode("utf-8" if entry.flag_bits & _UTF8 else "cp437")


def _checked(entries: list[zipfile.ZipInfo], archive: zipfile.ZipFile) -> None:
    """Refuse entries whose names, kinds or sizes are not as those in a zip of ours are."""
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
        if kind != stat.S_IFREG:
            raise Unsafe(f"{name!r} is a link or no plain file")
        if entry.flag_bits & 0x1:
            raise Unsafe(f"{name!r} is locked with a password")
        if entry.compress_type != zipfile.ZIP_DEFLATED:
            raise Unsafe(f"{name!r} is packed in a way ours are not")
        told = (
            entry.create_version, entry.extract_version, entry.reserved, entry.volume,
            entry.flag_bits & ~_UTF8, entry.internal_attr, entry.external_attr, entry.date_time,
        )  # fmt: skip
        ours = (_VERSION, _VERSION, 0, 0, 0, 0, ATTRIBUTES, entries[0].date_time)
        if entry.comment or entry.extra or told != ours:
            raise Unsafe(f"{name!r} carries more in the zip than its content: ours do not")
        if entry.file_size > _RATIO * max(entry.compress_size, 1):
            raise Unsafe(f"{name!r} unpacks to more than its size can hold")
    tops = {entry.filename.split("/")[0] for entry in entries}
    if len(tops) != 1:
        raise Unsafe(f"the zip holds several folders: {', '.join(sorted(tops)[:4])}")
    _limits(len(entries), sum(entry.file_size for entry in entries))


def _nothing_hidden(file: BinaryIO, entries: list[zipfile.ZipInfo], listing: int) -> None:
    """Refuse bytes before, between or behind the entries, and headers that are not as ours are."""
    at = 0
    for entry in sorted(entries, key=lambda one: one.header_offset):
        if entry.header_offset != at:
            raise Unsafe(f"something lies before {entry.filename!r} in the zip that is no entry")
        file.seek(at)
        header = file.read(_LOCAL)
        if len(header) != _LOCAL:
            raise Unsafe("the zip ends early")
        told = struct.unpack("<4sHHHHHIIIHH", header)
        name, date = _packed_name(entry), entry.date_time
        listed = (
            _LOCAL_MARK, _VERSION, entry.flag_bits, entry.compress_type,
            date[3] << 11 | date[4] << 5 | date[5] // 2,
            (date[0] - 1980) << 9 | date[1] << 5 | date[2],
            entry.CRC, entry.compress_size, entry.file_size, len(name), 0,
        )  # fmt: skip
        if told != listed or file.read(len(name)) != name:
            raise Unsafe(f"{entry.filename!r} is said to be two things in the zip")
        at += _LOCAL + len(name) + entry.compress_size
    size = file.seek(0, 2)
    listed_bytes = sum(_LISTED + len(_packed_name(entry)) for entry in entries)
    end = struct.pack(
        "<4sHHHHIIH", _END_MARK, 0, 0, len(entries), len(entries), listed_bytes, at, 0
    )  # fmt: skip
    file.seek(max(size - _END, 0))
    if at != listing or at + listed_bytes + _END != size or file.read() != end:
        raise Unsafe("something lies behind the files in the zip that is no entry")
