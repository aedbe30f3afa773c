"""A zip that may be hostile: each attack refused, nothing written outside."""

from __future__ import annotations

import io
import os
import stat
import struct
import zipfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qa_tools.evidence.pack import unpack
from qa_tools.evidence.pack.unpack import Unsafe, one_of, opened


def a_zip(path: Path, entries: dict[str, bytes | str], **more: int) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in entries.items():
            about = zipfile.ZipInfo(name)
            about.compress_type = zipfile.ZIP_DEFLATED
            about.external_attr = more.get("mode", stat.S_IFREG | 0o644) << 16
            archive.writestr(about, content)
    return path


def refused(path: Path) -> str:
    with pytest.raises(Unsafe) as reason, opened(path):
        pass
    return str(reason.value)


def test_a_plain_one_is_opened(tmp_path: Path) -> None:
    path = a_zip(tmp_path / "p.zip", {"p/a.txt": "a", "p/data/b.txt": "b"})
    with opened(path) as folder:
        assert folder.name == "p"
        assert (folder / "data" / "b.txt").read_text() == "b"
        inside = folder
    assert not inside.exists()  # and cleared away


@pytest.mark.parametrize(
    "name",
    ["p/../../evil", "/etc/evil", "p/..", "p//evil", "p\\..\\evil", "C:/evil", "p/./evil",
     "p/a\nb", "evil"],
)  # fmt: skip
def test_names_that_lead_elsewhere(tmp_path: Path, name: str) -> None:
    assert "lead elsewhere" in (said := refused(a_zip(tmp_path / "p.zip", {name: "x"}))) or (
        "does not lie in the folder" in said
    )
    assert not (tmp_path / "evil").exists()


def test_links(tmp_path: Path) -> None:
    path = a_zip(tmp_path / "p.zip", {"p/link": "/etc/passwd"}, mode=stat.S_IFLNK | 0o777)
    assert "is a link" in refused(path)


def test_the_same_name_twice_also_in_other_letters(tmp_path: Path) -> None:
    assert "twice" in refused(a_zip(tmp_path / "p.zip", {"p/a.txt": "1", "p/A.txt": "2"}))
    assert "twice" in refused(a_zip(tmp_path / "q.zip", {"p/\u00e9": "1", "p/e\u0301": "2"}))


def test_several_folders(tmp_path: Path) -> None:
    assert "several folders" in refused(a_zip(tmp_path / "p.zip", {"p/a": "1", "q/b": "2"}))


def test_a_bomb(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(unpack, "MOST_BYTES", 1_000_000)
    assert "more than" in refused(a_zip(tmp_path / "p.zip", {"p/a": b"\0" * 2_000_000}))


def test_a_bomb_that_lies_about_its_size(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = a_zip(tmp_path / "p.zip", {"p/a": b"\0" * 2_000_000})
    data = path.read_bytes()
    true = (2_000_000).to_bytes(4, "little")
    path.write_bytes(data.replace(true, (2000).to_bytes(4, "little")))
    monkeypatch.setattr(unpack, "MOST_BYTES", 1_000_000)
    assert refused(path)


def test_too_many_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(unpack, "MOST_FILES", 3)
    assert "more than 3 files" in refused(
        a_zip(tmp_path / "p.zip", {f"p/{at}": "x" for at in range(4)})
    )


@pytest.mark.parametrize("where", ["before", "behind", "between", "comment"])
def test_nothing_can_hide_in_the_zip(tmp_path: Path, where: str) -> None:
    path = a_zip(tmp_path / "p.zip", {"p/a.txt": "a" * 50, "p/b.txt": "b" * 50})
    data = path.read_bytes()
    if where == "before":
        path.write_bytes(b"hidden" + data)
    elif where == "behind":
        path.write_bytes(data + b"hidden")
    elif where == "comment":
        with zipfile.ZipFile(path, "a") as archive:
            archive.comment = b"hidden"
    else:  # an entry that the list at the end does not name
        with zipfile.ZipFile(path) as archive:
            second = archive.getinfo("p/b.txt").header_offset
            start = archive.start_dir
        spoilt = bytearray(data)
        # the first entry taken out of the list: its bytes are still there
        entry = data.index(b"PK\x01\x02", start)
        after = data.index(b"PK\x01\x02", entry + 4)
        cut = data[entry:after]
        spoilt = bytearray(data[:start] + data[after:])
        end = spoilt.index(b"PK\x05\x06")
        spoilt[end + 8 : end + 12] = (1).to_bytes(2, "little") * 2
        size = int.from_bytes(spoilt[end + 12 : end + 16], "little") - len(cut)
        spoilt[end + 12 : end + 16] = size.to_bytes(4, "little")
        assert second > 0
        path.write_bytes(bytes(spoilt))
    assert refused(path)


@pytest.mark.parametrize("data", [b"", b"PK", b"no zip at all", b"PK\x05\x06" + b"\0" * 18])
def test_what_is_no_zip(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "p.zip").write_bytes(data)
    assert refused(tmp_path / "p.zip")


def test_no_flip_of_a_byte_crashes_the_opening(tmp_path: Path) -> None:
    """Every byte of a small zip: opened with the same content, or refused with a reason."""
    path = a_zip(tmp_path / "p.zip", {"p/a.txt": "one two three", "p/b.txt": "four"})
    whole = path.read_bytes()
    for at in range(len(whole)):
        spoilt = bytearray(whole)
        spoilt[at] ^= 0x41
        path.write_bytes(bytes(spoilt))
        try:
            with opened(path) as folder:
                files = {one.name: one.read_text() for one in folder.iterdir()}
        except Unsafe:
            continue
        assert (folder.name, files) == ("p", {"a.txt": "one two three", "b.txt": "four"}), at


def grown(data: bytes, more: bytes) -> bytes:
    """A zip of one file whose packed content goes on behind its end; all sizes made to fit."""
    start = data.index(b"PK\x01\x02")
    spoilt = bytearray(data[:start] + more + data[start:])
    for mark, at in ((b"PK\x03\x04", 18), (b"PK\x01\x02", 20), (b"PK\x05\x06", 16)):
        place = spoilt.rindex(mark) + at
        value = int.from_bytes(spoilt[place : place + 4], "little") + len(more)
        spoilt[place : place + 4] = value.to_bytes(4, "little")
    return bytes(spoilt)


def test_nothing_can_hide_behind_the_end_of_a_packed_file(tmp_path: Path) -> None:
    path = a_zip(tmp_path / "p.zip", {"p/a.txt": "a" * 50})
    path.write_bytes(grown(path.read_bytes(), b"hidden"))
    with zipfile.ZipFile(path) as archive:
        assert archive.testzip() is None  # the usual reader sees nothing
    assert "is not what the zip says it is" in refused(path)


@pytest.mark.parametrize(
    ("mark", "at"),
    [
        (b"PK\x01\x02", 4),  # the version that made it
        (b"PK\x01\x02", 6),
        (b"PK\x01\x02", 34),  # the number of a disk
        (b"PK\x01\x02", 36),  # attributes
        (b"PK\x01\x02", 38),
        (b"PK\x03\x04", 4),
        (b"PK\x05\x06", 4),
        (b"PK\x05\x06", 8),
    ],
)
def test_nothing_can_hide_in_a_header(tmp_path: Path, mark: bytes, at: int) -> None:
    path = a_zip(tmp_path / "p.zip", {"p/a.txt": "a"})
    data = bytearray(path.read_bytes())
    data[data.index(mark) + at] ^= 1
    path.write_bytes(bytes(data))
    assert refused(path)


def test_a_second_record_of_the_end_is_refused(tmp_path: Path) -> None:
    """That of zips of many gigabytes, between the list and the end: 76 bytes, some of them free."""
    path = a_zip(tmp_path / "p.zip", {"p/a.txt": "a"})
    data = path.read_bytes()
    end = data.index(b"PK\x05\x06")
    start = data.index(b"PK\x01\x02")
    large = struct.pack("<4sQ2H2L4Q", b"PK\x06\x06", 44, 45, 45, 0, 0, 1, 1, end - start, start)
    where = struct.pack("<4sLQL", b"PK\x06\x07", 0, end, 1)
    path.write_bytes(data[:end] + large + where + data[end:])
    with zipfile.ZipFile(path) as archive:
        assert archive.testzip() is None
    assert "behind the files" in refused(path)


def test_a_file_longer_than_any_pack_is_not_looked_into(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = a_zip(tmp_path / "p.zip", {"p/a.txt": "a"})
    monkeypatch.setattr(unpack, "MOST_BYTES", 100)
    assert "it is longer than" in refused(path)


def test_one_file_of_a_pack(tmp_path: Path) -> None:
    path = a_zip(tmp_path / "p.zip", {"p/a.txt": "one", "p/b/a.txt": "two", "p/e": ""})
    assert [one_of(path, name) for name in ("a.txt", "b/a.txt", "e")] == [b"one", b"two", b""]
    with pytest.raises(Unsafe, match=r"it has no c\.txt"):
        one_of(path, "c.txt")
    (tmp_path / "q").mkdir()
    (tmp_path / "q" / "a.txt").write_text("one")
    assert one_of(tmp_path / "q", "a.txt") == b"one"
    with pytest.raises(Unsafe, match=r"it has no b\.txt"):
        one_of(tmp_path / "q", "b.txt")


@given(st.binary(max_size=300), st.integers(1, 50))
def test_any_content_comes_out_as_it_went_in(
    tmp_path_factory: pytest.TempPathFactory, part: bytes, times: int
) -> None:
    path = a_zip(tmp_path_factory.mktemp("any") / "p.zip", {"p/a": part * times * 99})
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(unpack, "_CHUNK", 1000)
        assert one_of(path, "a") == part * times * 99


def test_links_in_a_folder(tmp_path: Path) -> None:
    folder = tmp_path / "p"
    folder.mkdir()
    try:
        os.symlink("/etc/passwd", folder / "link")
    except OSError:
        pytest.skip("this system makes no links")
    assert "is a link" in refused(folder)


def test_a_locked_entry(tmp_path: Path) -> None:
    path = a_zip(tmp_path / "p.zip", {"p/a.txt": "a"})
    data = bytearray(path.read_bytes())
    for mark, at in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        data[data.index(mark) + at] |= 1
    path.write_bytes(bytes(data))
    assert "password" in refused(path)
    assert zipfile.is_zipfile(io.BytesIO(bytes(data)))
