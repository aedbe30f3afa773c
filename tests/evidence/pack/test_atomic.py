"""Put in place whole or not at all, whenever it is cut off."""

from __future__ import annotations

import datetime as dt
import os
import random
import signal
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import pytest

from qa_tools.evidence.pack import atomic, manifest

NOON = dt.datetime(2026, 11, 2, 12, tzinfo=dt.UTC)
# Writes packs of many files over one another, as fast as it can, until it is killed.
BUILDER = """
import sys, datetime as dt
from pathlib import Path
from qa_tools.evidence.pack import atomic, manifest
out = Path(sys.argv[1])
number = int(sys.argv[2])
while True:
    number += 1
    with atomic.staging(out) as staged:
        (staged / "data").mkdir()
        for at in range(40):
            (staged / "data" / f"{at}.txt").write_text(f"{number}\\n" * 50)
        made_at = dt.datetime(2026, 1, 1, tzinfo=dt.UTC) + dt.timedelta(seconds=number)
        facts = manifest.made(staged, made_at=made_at, works="w", parameters={}, originals={},
                              previous=None, seeds={})
        (staged / manifest.NAME).write_bytes(manifest.canonical(facts))
        atomic.put(staged, out, made_at)
    print(number, flush=True)
"""


def stage(out: Path, text: str) -> None:
    with atomic.staging(out) as staged:
        (staged / manifest.NAME).write_text(text)
        atomic.put(staged, out, NOON)


def test_folder_and_zip_are_replaced_and_nothing_is_left_beside(tmp_path: Path) -> None:
    out = tmp_path / "pack"
    for text in ("one", "two"):
        stage(out, text)
        assert (out / manifest.NAME).read_text() == text
        with zipfile.ZipFile(atomic.zip_of(out)) as archive:
            assert archive.read(f"pack/{manifest.NAME}") == text.encode()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["pack", "pack.zip"]


def test_a_failure_leaves_the_old_pack(tmp_path: Path) -> None:
    out = tmp_path / "pack"
    stage(out, "one")
    with pytest.raises(RuntimeError), atomic.staging(out) as staged:
        (staged / manifest.NAME).write_text("half")
        raise RuntimeError
    assert (out / manifest.NAME).read_text() == "one"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["pack", "pack.zip"]


def test_where_folders_cannot_be_swapped_the_old_one_steps_aside(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(atomic, "_swapped", lambda one, other: False)
    out = tmp_path / "pack"
    stage(out, "one")
    stage(out, "two")
    assert (out / manifest.NAME).read_text() == "two"
    # cut off between the two renames: the old one stands aside, and the next build puts it back
    out.rename(tmp_path / ".pack.old")
    atomic.recover(out)
    assert (out / manifest.NAME).read_text() == "two"


def test_the_zip_is_the_same_for_the_same_files(tmp_path: Path) -> None:
    made = []
    for name in ("a", "b"):
        folder = tmp_path / name / "pack"
        (folder / "data").mkdir(parents=True)
        for file in ("z.txt", "a.txt", "data/ä.txt"):
            (folder / file).write_text(file)
        atomic.write_zip(folder, tmp_path / f"{name}.zip", "pack", NOON)
        made.append((tmp_path / f"{name}.zip").read_bytes())
    assert made[0] == made[1]


def test_a_folder_that_is_no_pack_is_never_replaced(tmp_path: Path) -> None:
    out = tmp_path / "photos"
    out.mkdir()
    (out / "one.jpg").touch()
    with pytest.raises(ValueError, match="is no audit pack"):
        atomic.check(out, tmp_path / "works")
    with pytest.raises(ValueError, match="make it first"):
        atomic.check(tmp_path / "no" / "pack", tmp_path / "works")


def test_a_pack_is_not_put_among_what_is_read(tmp_path: Path) -> None:
    works = tmp_path / "works"
    (works / "weights").mkdir(parents=True)
    (works / "packs").mkdir()
    for inside in (works, works / "weights" / "pack"):
        with pytest.raises(ValueError, match=r"among the files of the works|no audit pack"):
            atomic.check(inside, works)
    atomic.check(works / "packs" / "october", works)  # not read, so no harm
    loose = tmp_path / "loose"
    loose.mkdir()
    with pytest.raises(ValueError, match="among the files of the works"):
        atomic.check(loose / "pack", loose)


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="kill -9")
def test_fifty_kills_at_random_moments_leave_a_whole_pack(tmp_path: Path) -> None:
    """Each of folder and zip is the old one or the new, whole, after every kill."""
    out, moments = tmp_path / "pack", random.Random(5)
    number = 0
    for _ in range(50):
        builder = subprocess.Popen([sys.executable, "-c", BUILDER, str(out), str(number)],
                                   stdout=subprocess.PIPE)  # fmt: skip
        assert builder.stdout is not None
        number = int(builder.stdout.readline())  # one is in place: from here on it is replaced
        time.sleep(moments.random() * 0.08)
        builder.send_signal(signal.SIGKILL)
        builder.wait()
        builder.stdout.close()
        facts = manifest.read((out / manifest.NAME).read_bytes())
        assert manifest.hashes(out, lambda name: name != manifest.NAME) == facts["files"]
        with zipfile.ZipFile(atomic.zip_of(out)) as archive:
            assert archive.testzip() is None
            packed = manifest.read(archive.read(f"pack/{manifest.NAME}"))
            texts = {archive.read(name) for name in archive.namelist() if name.endswith(".txt")}
        assert len(texts) == 1
        assert abs(
            dt.datetime.fromisoformat(packed["made_at"])
            - dt.datetime.fromisoformat(facts["made_at"])
        ) <= dt.timedelta(seconds=1)


def a_pack(out: Path, text: str = "page") -> None:
    """A pack with a manifest of its own, in its place with its zip."""
    with atomic.staging(out) as staged:
        (staged / "evidence.html").write_text(text)
        facts = manifest.made(staged, made_at=NOON, works="w", parameters={}, originals={},
                              previous=None, seeds={})  # fmt: skip
        (staged / manifest.NAME).write_bytes(manifest.canonical(facts))
        atomic.put(staged, out, NOON)


def test_only_a_pack_of_ours_is_replaced(tmp_path: Path) -> None:
    works = tmp_path / "works"
    app = tmp_path / "app"  # many a web page has a manifest.json
    app.mkdir()
    (app / manifest.NAME).write_text('{"name": "photos"}')
    with pytest.raises(ValueError, match="is no audit pack"):
        atomic.check(app, works)
    a_pack(tmp_path / "pack")
    atomic.check(tmp_path / "pack", works)
    (tmp_path / "pack" / ".DS_Store").touch()
    atomic.check(tmp_path / "pack", works)
    (tmp_path / "pack" / "my notes.txt").touch()
    with pytest.raises(ValueError, match=r"my notes\.txt is no part of the pack that is there"):
        atomic.check(tmp_path / "pack", works)
    a_pack(tmp_path / "other")
    (tmp_path / "other.zip").write_bytes(b"holiday")
    with pytest.raises(ValueError, match="is no zip of an audit pack"):
        atomic.check(tmp_path / "other", works)


def test_a_link_is_not_followed(tmp_path: Path) -> None:
    a_pack(tmp_path / "pack")
    works = tmp_path / "works"
    (works / "weights").mkdir(parents=True)
    try:
        (tmp_path / "link").symlink_to(tmp_path / "pack")
        (tmp_path / "nowhere").symlink_to(tmp_path / "gone")
        (tmp_path / "same").symlink_to(works)
    except OSError:
        pytest.skip("this system makes no links")
    for name in ("link", "nowhere"):
        with pytest.raises(ValueError, match="is no audit pack"):
            atomic.check(tmp_path / name, works)
    for folder in (works, tmp_path / "same"):  # the works by its other name
        with pytest.raises(ValueError, match="among the files of the works"):
            atomic.check(tmp_path / "same" / "weights" / "pack", folder)


def test_after_a_cut_between_two_renames_the_next_build_goes_on(tmp_path: Path) -> None:
    out = tmp_path / "pack"
    a_pack(out, "one")
    out.rename(tmp_path / ".pack.old")  # as a system that cannot swap would leave it
    atomic.check(out, tmp_path / "works")
    a_pack(out, "two")
    assert (out / "evidence.html").read_text() == "two"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["pack", "pack.zip"]


def test_where_the_new_one_cannot_come_in_the_old_one_comes_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "pack"
    a_pack(out, "one")
    monkeypatch.setattr(atomic, "_swapped", lambda one, other: False)
    rename = os.rename

    def in_use(one: Path, other: Path) -> None:
        if ".new-" in Path(one).name:
            raise PermissionError("in use")
        rename(one, other)

    monkeypatch.setattr(os, "rename", in_use)
    with pytest.raises(PermissionError):
        a_pack(out, "two")
    assert (out / "evidence.html").read_text() == "one"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["pack", "pack.zip"]


def test_only_leftovers_of_this_name_are_cleared(tmp_path: Path) -> None:
    mine = [tmp_path / ".pack.new-0123abcd", tmp_path / ".pack.new-0123abcd.zip"]
    others = [tmp_path / ".pack.new-plans", tmp_path / ".pack.new-one.new-0123abcd"]
    for path in (*mine, *others):
        path.mkdir()
    atomic.recover(tmp_path / "pack")
    assert [path.exists() for path in mine] == [False, False]
    assert [path.exists() for path in others] == [True, True]
