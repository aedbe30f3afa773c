"""Put in place whole or not at all, whenever it is cut off."""

from __future__ import annotations

import datetime as dt
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
