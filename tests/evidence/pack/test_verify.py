"""What verify names: any byte, any file, a number with its hash, a forgery of everything."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
import random
import shutil
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from works_folder import around, make_works

import qa_tools as qa
from qa_tools.evidence.pack import manifest, verdicts
from qa_tools.evidence.pack import verify as checking
from qa_tools.evidence.pack.verify import verify

NOON = dt.datetime(2026, 11, 2, 12, tzinfo=dt.UTC)


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> qa.evidence.Built:
    """A small real pack, with a log of what was read; no PDF, so that it is the same anywhere."""
    home = tmp_path_factory.mktemp("built")
    works = make_works(home / "works", around(121.0))
    works.log_readings(NOON)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("QA_TOOLS_BROWSER", "no-such-browser")
        return qa.evidence.build(
            qa.read_works(home / "works"), None, None, home / "pack", made_at=NOON
        )


@pytest.fixture
def pack(built: qa.evidence.Built, tmp_path: Path) -> Path:
    """A copy to spoil."""
    shutil.copytree(built.folder, tmp_path / "pack")
    return tmp_path / "pack"


@pytest.fixture
def same_verdicts(
    built: qa.evidence.Built, monkeypatch: pytest.MonkeyPatch
) -> Iterator[None]:  # fmt: skip
    """Verdicts not worked out again: for tests of bytes alone, many times over."""
    facts = json.loads((built.folder / manifest.NAME).read_bytes())
    known = verdicts.recomputed(built.folder / "data" / "sources", facts["parameters"])
    monkeypatch.setattr(checking, "recomputed", lambda sources, parameters: known)
    yield


def files_of(pack: Path) -> list[Path]:
    return [path for _, path in manifest.files_in(pack)]


def told(found: qa.evidence.Verified) -> list[tuple[str, str]]:
    return list(found.problems[["what", "file"]].itertuples(index=False, name=None))


def rehashed(pack: Path, **change: Any) -> None:
    """The manifest made anew for a folder as it is now: a consistent forgery."""
    facts = json.loads((pack / manifest.NAME).read_bytes()) | change
    facts["files"] = manifest.hashes(pack, lambda name: name not in manifest.APART)
    facts["identity"] = manifest.identity_of(facts["parameters"], facts["files"])
    facts["contents"] = manifest.contents_of(facts)
    (pack / manifest.NAME).write_bytes(manifest.canonical(facts))


def test_a_pack_as_built_is_unchanged_as_folder_and_as_zip(built: qa.evidence.Built) -> None:
    for form in (built.folder, built.zip):
        found = verify(form, built.seal)
        assert found.ok and found.sealed and not found.signed
        assert str(found).startswith("Unchanged since that seal was given")
        assert found.identity == built.identity
    plain = verify(built.zip)
    assert plain.ok and not plain.sealed
    assert "ask its maker for the seal" in str(plain)


def test_the_seal_stands_nowhere_in_the_pack(built: qa.evidence.Built) -> None:
    for path in files_of(built.folder):
        assert built.seal.encode() not in path.read_bytes()


def test_a_flip_of_any_file_is_named(pack: Path, same_verdicts: None) -> None:
    """One byte in the middle, the first and the last of every file there is."""
    for path in files_of(pack):
        whole = path.read_bytes()
        for at in sorted({0, len(whole) // 2, len(whole) - 1}) if whole else []:
            spoilt = bytearray(whole)
            spoilt[at] ^= 0x10
            path.write_bytes(bytes(spoilt))
            found = verify(pack)
            assert not found.ok
            assert path.relative_to(pack).as_posix() in set(found.problems["file"]), path
        path.write_bytes(whole)
    assert verify(pack).ok


@pytest.mark.slow
def test_a_thousand_flips_at_random(pack: Path, same_verdicts: None) -> None:
    """Seeded; one file as likely as another. Each is named, the manifest's own by its name."""
    chance = random.Random(20261102)
    paths = [path for path in files_of(pack) if path.stat().st_size]
    for _ in range(1000):
        path = chance.choice(paths)
        whole = path.read_bytes()
        spoilt = bytearray(whole)
        spoilt[chance.randrange(len(whole))] ^= 1 << chance.randrange(8)
        path.write_bytes(bytes(spoilt))
        assert path.relative_to(pack).as_posix() in set(verify(pack).problems["file"])
        path.write_bytes(whole)


def test_a_file_taken_out_put_in_swapped_or_renamed(pack: Path, same_verdicts: None) -> None:
    one, other = pack / "data" / "readings-used.csv", pack / "data" / "verdicts" / "tests.csv"
    first, second = one.read_bytes(), other.read_bytes()
    one.unlink()
    assert ("missing", "data/readings-used.csv") in told(verify(pack))
    one.write_bytes(first)
    (pack / "data" / "more.csv").write_text("1")
    assert told(verify(pack)) == [("added", "data/more.csv")]
    (pack / "data" / "more.csv").unlink()
    one.write_bytes(second)
    other.write_bytes(first)
    found = told(verify(pack))
    assert ("changed", "data/readings-used.csv") in found
    assert ("changed", "data/verdicts/tests.csv") in found
    one.write_bytes(first)
    other.write_bytes(second)
    one.rename(one.with_name("readings.csv"))
    assert {("missing", "data/readings-used.csv"), ("added", "data/readings.csv")} <= set(
        told(verify(pack))
    )


def edit(path: Path, change: Callable[[list[list[str]]], None]) -> None:
    rows = list(csv.reader(io.StringIO(path.read_text(encoding="utf-8"), newline="")))
    change(rows)
    out = io.StringIO(newline="")
    csv.writer(out, lineterminator="\n").writerows(rows)
    path.write_text(out.getvalue(), encoding="utf-8", newline="")


def better(rows: list[list[str]]) -> None:
    rows[1][rows[0].index("mean_g")] = "125.0"


def test_a_number_edited_with_its_hash_in_the_manifest_is_named(pack: Path) -> None:
    name = "data/verdicts/batches.csv"
    edit(pack / name, better)
    facts = json.loads((pack / manifest.NAME).read_bytes())
    facts["files"][name] = manifest.hashes(pack, lambda one: one == name)[name]
    (pack / manifest.NAME).write_bytes(manifest.canonical(facts))
    found = verify(pack)
    whats = set(found.problems["what"])
    assert "its contents does not follow from what else it says: edited by hand" in whats
    assert "its identity does not follow from what else it says: edited by hand" in whats
    cell = found.problems[found.problems["what"] == "does not come out of the data"].iloc[0]
    assert (cell["file"], cell["row"], cell["column"]) == (name, 2, "mean_g")
    assert (cell["found"], cell["expected"]) == ("125.0", "121.0")


def test_a_verdict_forged_with_the_whole_manifest_still_does_not_come_out(pack: Path) -> None:
    edit(pack / "data" / "verdicts" / "batches.csv", better)
    rehashed(pack)
    assert set(told(verify(pack))) == {
        ("does not come out of the data", "data/verdicts/batches.csv")
    }
    edit(pack / "data" / "verdicts" / "batches.csv", lambda rows: rows.append(rows[1]))
    rehashed(pack)
    assert ("a row that does not come out of the data", "data/verdicts/batches.csv") in told(
        verify(pack)
    )


def forge_everything(works: Path, out: Path) -> qa.evidence.Built:
    """Other weights, and everything built anew from them: nothing in it contradicts itself."""
    rows = (works / "weights" / "oct.csv").read_text()
    (works / "weights" / "oct.csv").write_text(rows.replace(",120.", ",121."))
    return qa.evidence.build(works, None, None, out, made_at=NOON)


def test_a_forgery_of_everything_is_caught_by_the_seal_and_only_by_it(
    built: qa.evidence.Built, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("QA_TOOLS_BROWSER", "no-such-browser")
    shutil.copytree(built.folder / "data" / "sources", tmp_path / "works")
    forged = forge_everything(tmp_path / "works", tmp_path / "pack")
    assert verify(forged.folder).ok  # it does say so: without the seal nobody can tell
    found = verify(forged.folder, built.seal)
    assert told(found) == [("another seal", manifest.NAME)]
    assert str(found).startswith("NOT as it was built")


def test_a_forgery_signed_with_another_key_is_caught_by_the_fingerprint(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("cryptography")
    monkeypatch.setenv("QA_TOOLS_BROWSER", "no-such-browser")
    make_works(tmp_path / "works", around(121.0))
    mine = qa.evidence.make_key(tmp_path / "mine.pem")
    theirs = qa.evidence.make_key(tmp_path / "theirs.pem")
    true = qa.evidence.build(
        tmp_path / "works", None, None, tmp_path / "true", key=tmp_path / "mine.pem", made_at=NOON
    )
    found = verify(true.zip, key=mine)
    assert found.ok and found.signed
    assert "the owner of that key signed it" in str(found)
    shutil.copy(true.folder / "public-key.pem", tmp_path / "given.pem")
    assert verify(true.folder, key=tmp_path / "given.pem").signed
    with pytest.raises(ValueError, match="came with the pack, and tells nothing of who signed it"):
        verify(true.folder, key=true.folder / "public-key.pem")
    with pytest.raises(ValueError, match="that is a private key"):
        verify(true.folder, key=tmp_path / "mine.pem")
    without = verify(true.folder)
    assert without.ok and not without.signed
    assert any(note.startswith(f"Signed with the key {mine}") for note in without.notes)

    shutil.copytree(true.folder / "data" / "sources", tmp_path / "other")
    rows = (tmp_path / "other" / "weights" / "oct.csv").read_text()
    (tmp_path / "other" / "weights" / "oct.csv").write_text(rows.replace(",120.", ",121."))
    forged = qa.evidence.build(
        tmp_path / "other", None, None, tmp_path / "forged", key=tmp_path / "theirs.pem",
        made_at=NOON,
    )  # fmt: skip
    assert verify(forged.folder).ok
    assert ("signed with another key", "public-key.pem") in told(verify(forged.folder, key=mine))
    assert verify(forged.folder, key=theirs).ok
    # the true signature under a forged manifest, and a pack whose signature was taken away
    shutil.copy(true.folder / "manifest.sig", forged.folder / "manifest.sig")
    assert ("the signature is not of this manifest", "manifest.sig") in told(verify(forged.folder))
    (true.folder / "manifest.sig").unlink()
    assert ("missing", "manifest.sig") in told(verify(true.folder, key=mine))


def test_an_unsigned_pack_does_not_pass_where_a_key_is_expected(built: qa.evidence.Built) -> None:
    assert told(verify(built.folder, key="ab" * 32)) == [("not signed", manifest.NAME)]


def test_a_manifest_in_another_order_is_not_its_one_form(pack: Path, same_verdicts: None) -> None:
    facts = json.loads((pack / manifest.NAME).read_bytes())
    (pack / manifest.NAME).write_text(json.dumps(dict(reversed(list(facts.items()))), indent=1))
    assert told(verify(pack)) == [("not in its one form: edited by hand", manifest.NAME)]


def test_a_log_that_is_not_whole_is_named_though_its_hash_is_right(pack: Path) -> None:
    path = pack / "data" / "log" / "readings-log.jsonl"
    text = path.read_text()
    (line, *rest) = text.splitlines(keepends=True)
    path.write_text(line.replace("121.4", "121.5", 1) + "".join(rest))
    assert path.read_text() != text
    rehashed(pack)
    found = verify(pack)
    assert set(found.problems["file"]) == {"data/log/readings-log.jsonl"}
    assert "does not follow from the line before" in found.problems["what"].iloc[0]


def test_the_chain_to_the_pack_before(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, built: qa.evidence.Built
) -> None:
    monkeypatch.setenv("QA_TOOLS_BROWSER", "no-such-browser")
    sources = built.folder / "data" / "sources"
    qa.evidence.build(sources, None, None, tmp_path / "one", made_at=NOON)
    second = qa.evidence.build(
        sources, None, None, tmp_path / "two", made_at=NOON + dt.timedelta(1)
    )
    facts = json.loads((second.folder / manifest.NAME).read_bytes())
    assert facts["previous"]["name"] == "one"
    found = verify(second.folder)
    assert found.ok and any("Follows the pack before, one," in note for note in found.notes)
    page = tmp_path / "one" / "evidence.html"
    page.write_text(page.read_text() + " ")
    rehashed(tmp_path / "one")  # a new first pack, whole in itself
    assert verify(tmp_path / "one").ok
    assert told(verify(second.folder)) == [
        ("the pack before is not the one this pack names", "../one")
    ]
    shutil.rmtree(tmp_path / "one")
    # the zip that was built with it is still the one: a retailer has zips alone
    assert any("Follows the pack before" in note for note in verify(second.zip).notes)
    whole = (tmp_path / "one.zip").read_bytes()
    (tmp_path / "one.zip").write_bytes(whole[:-1])
    assert any("it cannot be opened" in note for note in verify(second.zip).notes)
    (tmp_path / "one.zip").unlink()
    assert any("it is not beside this one" in note for note in verify(second.folder).notes)


def test_a_pack_before_with_an_impossible_name_is_not_looked_at(
    pack: Path, same_verdicts: None
) -> None:
    for name in ("a" * 300, "a\0b", "none"):
        rehashed(pack, previous={"name": name, "made_at": "", "identity": "", "seal": ""})
        found = verify(pack)
        assert found.ok
        assert any(note.startswith("Not looked at: the pack before") for note in found.notes)


@pytest.mark.parametrize("name", ["../one", "..", "a/b", "C:x", "a\\b"])
def test_a_hostile_name_of_the_pack_before_leads_nowhere(
    pack: Path, same_verdicts: None, name: str
) -> None:
    before = {"name": name, "made_at": "", "identity": "", "seal": ""}
    rehashed(pack, previous=before)
    assert ("the pack before has no usable name", manifest.NAME) in told(verify(pack))


@pytest.mark.parametrize(
    "parameters",
    [
        {},
        {"start": "yesterday", "end": None},
        {"products": ["no such"]},
        {"workbook": "../../etc/passwd"},
        {"start": 5, "end": []},
        {"products": 7},
    ],
)
def test_hostile_parameters_are_a_problem_and_no_crash(
    pack: Path, parameters: dict[str, Any]
) -> None:
    rehashed(pack, parameters=parameters)
    found = verify(pack)
    assert isinstance(found.ok, bool)
    if parameters:
        assert not found.ok


def test_nothing_outside_the_pack_is_read_as_its_source(pack: Path) -> None:
    outside = pack.parent / "outside.csv"
    outside.write_text("batch,weight\nB1,121\n")
    facts = json.loads((pack / manifest.NAME).read_bytes())
    rehashed(pack, parameters=facts["parameters"] | {"workbook": "../../../outside.csv"})
    assert "is no file of the pack" in verify(pack).problems["what"].iloc[0]


def test_what_cannot_be_a_seal_or_a_pack_is_an_error(built: qa.evidence.Built) -> None:
    with pytest.raises(ValueError, match="is no seal: a seal has 64 digits"):
        verify(built.folder, "3f2a 91c0")
    with pytest.raises(ValueError, match="neither a fingerprint"):
        verify(built.folder, key="mine")
    with pytest.raises(ValueError, match="there is no pack"):
        verify(built.folder.parent / "nothing")
    spaced = " ".join(built.seal[at : at + 4] for at in range(0, 64, 4)).upper()
    assert verify(built.folder, spaced).sealed


def test_an_empty_folder_and_a_zip_that_is_none_are_problems(tmp_path: Path) -> None:
    assert told(verify(tmp_path)) == [("missing", manifest.NAME)]
    (tmp_path / "p.zip").write_bytes(b"no zip")
    found = verify(tmp_path / "p.zip")
    assert not found.ok and "not opened" in found.problems["what"].iloc[0]
    with zipfile.ZipFile(tmp_path / "q.zip", "w") as archive:
        archive.writestr("p/../../evil", "x")
    assert not verify(tmp_path / "q.zip").ok


def test_a_flip_of_every_byte_of_a_small_pack(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each byte of each file is named by its file, the manifest's own too."""
    monkeypatch.setattr(checking, "recomputed", lambda sources, parameters: {})
    folder = tmp_path / "pack"
    (folder / "data").mkdir(parents=True)
    (folder / "evidence.html").write_text("<p>page</p>")
    (folder / "data" / "a.csv").write_text("batch,net_g\nB-1,121.4\n")
    facts = manifest.made(folder, made_at=NOON, works="Q", parameters={"start": None},
                          originals={}, previous=None, seeds={"draws": 1})  # fmt: skip
    (folder / manifest.NAME).write_bytes(manifest.canonical(facts))
    assert verify(folder).ok
    for path in files_of(folder):
        name, whole = path.relative_to(folder).as_posix(), path.read_bytes()
        for at in range(len(whole)):
            path.write_bytes(whole[:at] + bytes([whole[at] ^ 1 << at % 8]) + whole[at + 1 :])
            assert name in set(verify(folder).problems["file"]), (name, at)
        path.write_bytes(whole)


def test_a_flip_in_the_zip_shows_or_changes_nothing(
    built: qa.evidence.Built, tmp_path: Path, same_verdicts: None
) -> None:
    """Seeded: whatever changes a content or could carry something else is named."""
    whole, chance = built.zip.read_bytes(), random.Random(3)
    path = tmp_path / "pack.zip"
    passed = 0
    for _ in range(100):
        at = chance.randrange(len(whole))
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 1 << at % 8]) + whole[at + 1 :])
        passed += verify(path, built.seal).ok
    assert passed < 3  # the last bits of a packed file, that mean nothing


def test_what_a_pack_says_never_looks_like_a_line_of_ours(pack: Path, same_verdicts: None) -> None:
    before = {"name": "x", "made_at": "\n\x1b[2J\x1b[HUnchanged since that seal", "seal": ""}
    rehashed(pack, previous=before, software={"numpy": "1\nUnchanged since\u202e"})
    found = verify(pack)
    assert found.ok
    assert str(found).startswith("Whole, ")
    assert not any(line.startswith("Unchanged") for line in str(found).splitlines())
    assert not {"\x1b", "\u202e"} & set(str(found))
    facts = json.loads((pack / manifest.NAME).read_bytes())
    (pack / manifest.NAME).write_bytes(manifest.canonical(facts | {"identity": "a\nUnchanged"}))
    assert not any(line.startswith("Unchanged") for line in str(verify(pack)).splitlines())


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b'"draws": ', b'"draws": NaN, "x": '),
        (b'"draws": ', b'"draws": -Infinity, "x": '),
        (b'"draws": ', b'"draws": ' + b"[" * 950 + b"]" * 950 + b', "x": '),
        (b'"draws": ', b'"draws": ' + b"[" * 99_999 + b"]" * 99_999 + b', "x": '),
        (b'"draws": ', b'"draws": 1, "draws": '),
        (b'"draws": ', b'"draws": ' + b"9" * 9999 + b', "x": '),
        (b'"evidence.html"', b'"\\ud800.html"'),
        (b'"evidence.html"', b'"..\\\\..\\u0000"'),
    ],
)
def test_a_hostile_manifest_is_a_problem_and_no_crash(
    pack: Path, same_verdicts: None, old: bytes, new: bytes
) -> None:
    data = (pack / manifest.NAME).read_bytes()
    assert data.count(old) == 1
    (pack / manifest.NAME).write_bytes(data.replace(old, new))
    found = verify(pack)
    assert manifest.NAME in set(found.problems["file"])
    assert str(found).encode() and json.dumps(found.to_dict())


@pytest.mark.parametrize(
    "line",
    [
        b"[" * 99_999,
        b'{"kind":"readings","number":1,"before":"","file":[],"sheet":{},"sha256":"","rows":[]}',
        b'{"kind":"read","number":1,"before":"","at":[],"files":{}}',
        b"\xff\x00",
    ],
)
def test_a_hostile_log_is_no_crash(pack: Path, same_verdicts: None, line: bytes) -> None:
    path = pack / "data" / "log" / "readings-log.jsonl"
    path.write_bytes(path.read_bytes() + line + b"\n" + path.read_bytes())
    rehashed(pack)
    assert set(verify(pack).problems["file"]) == {"data/log/readings-log.jsonl"}


def test_a_table_of_verdicts_that_is_none_is_named(pack: Path, same_verdicts: None) -> None:
    name = "data/verdicts/batches.csv"
    whole = (pack / name).read_bytes()
    lines = whole.split(b"\r\n")
    lines[1] += b",hidden"
    spoilt = {
        "cells behind the last column": b"\r\n".join(lines),
        "a row that does not come out of the data": whole + b"more\r\n",
        "a row is missing": b"\r\n".join(lines[:1]) + b"\r\n",
        "other columns than come out of the data": whole.replace(b"mean_g", b"mean_G", 1),
    }
    for what, content in spoilt.items():
        (pack / name).write_bytes(content)
        rehashed(pack)
        assert (what, name) in told(verify(pack))
    csv.field_size_limit(1000)
    try:
        (pack / name).write_bytes(whole + b"a" * 2000)
        rehashed(pack)
        assert told(verify(pack))[0][0].startswith("no table: ")
    finally:
        csv.field_size_limit(1 << 30)


def test_an_empty_folder_put_in_and_a_name_that_is_no_text(pack: Path, same_verdicts: None) -> None:
    (pack / "empty").mkdir()
    assert told(verify(pack)) == [("added: an empty folder", "empty")]
    (pack / "empty").rmdir()
    try:
        (pack / "\udcff.txt").touch()
    except OSError:
        pytest.skip("this system has no such names")
    found = verify(pack)
    assert told(found) == [("added", r"\udcff.txt")]
    assert str(found).encode()


@pytest.mark.parametrize("fault", [IndexError, AttributeError, RecursionError, OverflowError])
def test_whatever_the_sources_break_is_a_problem(
    pack: Path, monkeypatch: pytest.MonkeyPatch, fault: type[Exception]
) -> None:
    def broken(sources: Path, parameters: object) -> dict[str, bytes]:
        raise fault("broken")

    monkeypatch.setattr(checking, "recomputed", broken)
    assert told(verify(pack)) == [("verdicts not worked out again: broken", "data/sources")]
