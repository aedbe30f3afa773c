"""A zip that may be hostile: each attack refused, nothing written outside."""

from __future__ import annotations

import io
import os
import stat
import zipfile
from pathlib import Path

import pytest

from qa_tools.evidence.pack import unpack
from qa_tools.evidence.pack.unpack import Unsafe, opened


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
        assert set(files.values()) == {"one two three", "four"} or folder.name != "p", at


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
