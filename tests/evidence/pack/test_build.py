"""Building: the whole pack, the same bytes for the same input, and nothing of a person's harmed."""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
import json
import random
import re
import signal
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import pandas as pd
import pytest
from works_folder import around, make_works

import qa_tools as qa
from qa_tools.evidence.pack import manifest
from qa_tools.evidence.pack.sections import SECTIONS

NOON = dt.datetime(2026, 11, 2, 12, tzinfo=dt.UTC)
HOSTILE = '"><script>alert(1)</script><img src=x onerror=alert(2)>'


@pytest.fixture(autouse=True)
def no_browser(monkeypatch: pytest.MonkeyPatch) -> None:
    """No PDF: it has tests of its own."""
    monkeypatch.setenv("QA_TOOLS_BROWSER", "no-such-browser")


@pytest.fixture(scope="module")
def october(demo_works: qa.Works, tmp_path_factory: pytest.TempPathFactory) -> qa.evidence.Built:
    """The last month of the invented works."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("QA_TOOLS_BROWSER", "no-such-browser")
        out = tmp_path_factory.mktemp("october") / "pack"
        return qa.evidence.build(demo_works, "2026-10-05", "2026-11-01", out, made_at=NOON)


def rows(pack: Path, name: str) -> list[dict[str, str]]:
    with (pack / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def facts_of(pack: Path) -> dict[str, object]:
    found: dict[str, object] = manifest.read((pack / manifest.NAME).read_bytes())
    return found


def test_it_holds_what_it_says(october: qa.evidence.Built, demo_works: qa.Works) -> None:
    pack = october.folder
    for name, known in zip(demo_works.files["file"], demo_works.files["sha256"], strict=True):
        copy = (pack / "data" / "sources" / name).read_bytes()
        assert copy == (demo_works.folder / name).read_bytes()
        assert hashlib.sha256(copy).hexdigest() == known
    used = rows(pack, "data/readings-used.csv")
    batches = rows(pack, "data/verdicts/batches.csv")
    assert {row["batch"] for row in used} == {row["batch"] for row in batches}
    assert "RS-1028" in {row["batch"] for row in batches}
    assert "RS-0812" not in {row["batch"] for row in batches}
    light = next(row for row in batches if row["batch"] == "RS-1028")
    assert light["finding"] == "short" and float(light["mean_g"]) < 250
    outcomes = rows(pack, "data/verdicts/outcomes.csv")
    assert {row["outcome"] for row in outcomes if row["batch"] == "RS-1028"} == {"reject"}
    for book in {row["book"] for row in outcomes}:
        assert (pack / "data" / "books" / f"{book}.toml").is_file()
    assert (pack / "data" / "readings.xlsx").is_file()
    assert october.notes[0].startswith("No PDF was made")


def test_the_page_has_every_section_and_the_identity(october: qa.evidence.Built) -> None:
    page = (october.folder / "evidence.html").read_text(encoding="utf-8")
    keys = re.findall(r'<section id="([a-z-]+)"', page)
    assert len(keys) == len(SECTIONS) + 2
    assert keys[-2:] == ["gaps", "sign-off"]
    for key in ("statement", "batches", "nonconforming", "scales", "worked", "checklist"):
        assert key in keys
    assert page.count(manifest.short(october.identity)) >= 2
    assert "<script" not in page
    for link in re.findall(r'href="#([a-z-]+)"', page):
        assert link in keys, link
    assert not re.findall(r'(?:src|href)="(?!#)', page)  # nothing from elsewhere


def test_gaps_are_told_and_none_is_made_up(october: qa.evidence.Built) -> None:
    told = " ".join(october.gaps["what"])
    assert "scale S3: it showed 0.6 g too much" in told
    assert "RS-1028: would fail under" in told
    assert "no release is recorded" in told
    assert "OH-0929: averages" in told
    assert str(october).splitlines()[0].startswith("Audit pack: ")


def test_the_same_input_and_time_make_the_same_bytes(tmp_path: Path) -> None:
    make_works(tmp_path / "works", around(121.0))
    made = []
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        works = qa.read_works(tmp_path / "works")
        built = qa.evidence.build(works, None, None, tmp_path / name / "pack", made_at=NOON)
        files = {path: file.read_bytes() for path, file in manifest.files_in(built.folder)}
        made.append((files, built.zip.read_bytes(), built.seal))
    assert made[0] == made[1]


def test_time_and_page_do_not_change_the_identity_and_data_do(tmp_path: Path) -> None:
    works = make_works(tmp_path / "works", around(121.0))
    first = qa.evidence.build(works, None, None, tmp_path / "a", made_at=NOON)
    later = qa.evidence.build(
        works, None, None, tmp_path / "b", made_at=NOON + dt.timedelta(3), paper="A4"
    )
    assert (first.identity, first.seal != later.seal) == (later.identity, True)
    other = make_works(tmp_path / "works", around(121.1))
    assert qa.evidence.build(other, None, None, tmp_path / "c").identity != first.identity
    letter = qa.evidence.build(works := qa.read_works(tmp_path / "works"), None, None,
                               tmp_path / "d", paper="Letter")  # fmt: skip
    assert "size: Letter" in (letter.folder / "evidence.html").read_text()
    assert works.name == "works"


def test_notes_and_names_are_text_everywhere(tmp_path: Path) -> None:
    weights = (
        "batch,stage,when,weight,unit,picked,by,scale,note\n"
        + "".join(f'B1,packed,2026-10-06,{one},g,random,"{{0}}","{{0}}","{{0}}"\n'
                  for one in around(121.0))
    ).format(HOSTILE.replace('"', '""'))  # fmt: skip
    csv_safe = HOSTILE.replace('"', '""')
    works = make_works(
        tmp_path / "works", weights,
        products=f'product,name,form\nbar,"{csv_safe}",bar\n',
        actions=f'id,when,batch,what,reason,by\nA1,2026-10-07,B1,release,"{csv_safe}","{csv_safe}"\n',
        dispatch=f'batch,customer,market,when,quantity\nB1,"{csv_safe}",EU,2026-10-08,10\n',
        settings=f'name,value,who,when\nworks,"{csv_safe}\\\\ }}</style>",LT,2026-10-01\n',
        scales=f'scale,d\n"{csv_safe}",0.1\n',
        documents=f'what,reference\n"weighing {csv_safe}",=1+1\n',
        plan=f'product,stage,how_many,how_often,what_to_do\nbar,packed,30,batch,"{csv_safe}"\n',
    )  # fmt: skip
    built = qa.evidence.build(works, None, None, tmp_path / "pack", made_at=NOON)
    page = (built.folder / "evidence.html").read_text(encoding="utf-8")
    assert "<script" not in page and "<img" not in page
    assert page.count("</style>") == 1
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page
    assert qa.evidence.verify(built.zip, built.seal).ok


def test_only_what_is_asked_for(demo_works: qa.Works, tmp_path: Path) -> None:
    built = qa.evidence.build(demo_works, None, None, tmp_path / "p", products="calendula-balm")
    assert {row["product"] for row in rows(built.folder, "data/verdicts/batches.csv")} == {
        "calendula-balm"
    }
    assert facts_of(built.folder)["parameters"]["products"] == ["calendula-balm"]  # type: ignore[index]
    assert qa.evidence.verify(built.folder).ok


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"batches": "RS-10288"}, 'there is no batch "RS-10288"; is "RS-1028" meant'),
        ({"products": "balm"}, 'there is no product "balm"'),
        ({"start": "2026-11-01", "end": "2026-10-01"}, "before it begins"),
        ({"start": "2030-01-01", "end": "2030-02-01"}, "nothing was weighed or packed in"),
        ({"start": "soon"}, "no date"),
        ({"paper": "A5"}, 'paper is "A4" or "Letter"'),
    ],
)
def test_what_cannot_be_built_is_refused_and_nothing_written(
    demo_works: qa.Works, tmp_path: Path, asked: dict[str, str], said: str
) -> None:
    given = {"start": None, "end": None} | asked
    with pytest.raises(ValueError, match=said):
        qa.evidence.build(demo_works, out=tmp_path / "p", **given)
    assert list(tmp_path.iterdir()) == []


def test_a_file_changed_since_it_was_read_is_not_packed(tmp_path: Path) -> None:
    works = make_works(tmp_path / "works", around(121.0))
    with (tmp_path / "works" / "weights" / "oct.csv").open("a") as file:
        file.write("B1,packed,2026-10-06,110.0,g,random\n")
    with pytest.raises(ValueError, match=r"weights/oct.csv was changed since it was read"):
        qa.evidence.build(works, None, None, tmp_path / "pack")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["works"]


def test_a_works_of_one_workbook(tmp_path: Path) -> None:
    import xlsxwriter

    with xlsxwriter.Workbook(tmp_path / "works.xlsx") as book:
        for name, table in {
            "oct": [["batch", "weight (g)", "stage"],
                    *([["B1", one, "packed"] for one in around(121.0)])],
            "batches": [["batch", "product", "packages"], ["B1", "bar", 200]],
            "labels": [["product", "declared", "market"], ["bar", "120 g", "EU"]],
        }.items():  # fmt: skip
            sheet = book.add_worksheet(name)
            for number, row in enumerate(table):
                sheet.write_row(number, 0, row)
    built = qa.evidence.build(tmp_path / "works.xlsx", None, None, tmp_path / "pack")
    assert (built.folder / "data" / "sources" / "works.xlsx").is_file()
    assert qa.evidence.verify(built.zip, built.seal).ok


def test_a_rule_book_of_ones_own_goes_with_it(tmp_path: Path) -> None:
    (tmp_path / "works").mkdir()
    (tmp_path / "works" / "corner-shop.toml").write_text(
        'format = 1\nname = "corner-shop"\njudged_at = "sale"\nleast = "118 g"\n'
    )
    works = make_works(
        tmp_path / "works",
        around(121.0),
        labels="product,declared,unit,market,books\nbar,120,g,EU,eu-76-211 corner-shop\n",
    )
    built = qa.evidence.build(works, None, None, tmp_path / "pack")
    assert (built.folder / "data" / "books" / "corner-shop.toml").is_file()
    assert {row["book"] for row in rows(built.folder, "data/verdicts/outcomes.csv")} == {
        "eu-76-211",
        "corner-shop",
    }
    (tmp_path / "works" / "corner-shop.toml").unlink()
    assert qa.evidence.verify(built.folder, built.seal).ok


def test_names_left_out_are_nowhere_in_the_pack(demo_works: qa.Works, tmp_path: Path) -> None:
    built = qa.evidence.build(
        demo_works, "2026-10-05", "2026-11-01", tmp_path / "pack", without_names=True, made_at=NOON
    )
    name = re.compile(rb"(?<![\w-])(?:MH|PR|shop \d)(?![\w-])")
    for path, file in manifest.files_in(built.folder):
        if not path.endswith(".toml"):  # the rule books are published
            data = file.read_bytes()
            if path.endswith(".xlsx"):
                with zipfile.ZipFile(file) as book:
                    data = b"".join(book.read(one) for one in book.namelist())
            assert not name.search(data), path
    facts = facts_of(built.folder)
    hashes = dict(zip(demo_works.files["file"], demo_works.files["sha256"], strict=True))
    assert facts["originals"] == hashes
    assert qa.evidence.verify(built.zip, built.seal).ok
    used = pd.read_csv(built.folder / "data" / "readings-used.csv")
    assert set(used["by"]) <= {"person 1", "person 2", "person 3"}


def test_one_workbook_without_names(tmp_path: Path) -> None:
    import xlsxwriter

    with xlsxwriter.Workbook(tmp_path / "works.xlsx") as book:
        for name, table in {
            "oct": [["batch", "weight (g)", "stage", "by", "seen by"],
                    *(["B1", one, "packed", "MH", "XY"] for one in around(121.0))],
            "batches": [["batch", "product", "packages"], ["B1", "bar", 200]],
            "labels": [["product", "declared", "market"], ["bar", "120 g", "EU"]],
        }.items():  # fmt: skip
            sheet = book.add_worksheet(name)
            for number, row in enumerate(table):
                sheet.write_row(number, 0, row)
    built = qa.evidence.build(
        tmp_path / "works.xlsx", None, None, tmp_path / "pack", without_names=True
    )
    assert qa.evidence.verify(built.zip, built.seal).ok
    assert {row["by"] for row in rows(built.folder, "data/readings-used.csv")} == {"person 1"}
    assert 'works.xlsx: "seen by"' in built.notes[0]


def test_a_name_that_is_a_unit_is_refused_when_names_are_left_out(tmp_path: Path) -> None:
    (tmp_path / "works").mkdir()
    (tmp_path / "works" / "oct.csv").write_text("batch,weight,unit,by\nB1,118.4,g,g\n")
    with pytest.raises(ValueError, match="names cannot be left out: one is also another word"):
        qa.evidence.build(tmp_path / "works", None, None, tmp_path / "pack", without_names=True)
    assert not (tmp_path / "pack").exists()


def test_a_name_in_a_rule_book_of_ones_own_is_refused_when_names_are_left_out(
    tmp_path: Path,
) -> None:
    (tmp_path / "works").mkdir()
    book = tmp_path / "works" / "corner-shop.toml"
    book.write_text('format = 1\nname = "corner-shop"\njudged_at = "sale"\nleast = "118 g"\n# MH\n')
    works = make_works(
        tmp_path / "works",
        around(121.0),
        labels="product,declared,unit,market,books\nbar,120,g,EU,eu-76-211 corner-shop\n",
        actions="what,by\nnote,MH\n",
    )
    with pytest.raises(ValueError, match=r"corner-shop.toml names a person or a customer"):
        qa.evidence.build(works, None, None, tmp_path / "pack", without_names=True)
    assert not (tmp_path / "pack").exists()
    built = qa.evidence.build(works, None, None, tmp_path / "pack")
    assert (built.folder / "data" / "books" / "corner-shop.toml").read_bytes() == book.read_bytes()


def test_the_log_goes_with_it_and_edits_show(tmp_path: Path) -> None:
    make_works(tmp_path / "works", around(121.0)).log_readings(NOON)
    sheet = tmp_path / "works" / "weights" / "oct.csv"
    lines = sheet.read_text().splitlines()
    lines[4] = lines[4].replace(lines[4].split(",")[3], "128.8")
    sheet.write_text("\n".join(lines) + "\n")
    built = qa.evidence.build(tmp_path / "works", None, None, tmp_path / "pack")
    told = " ".join(built.gaps["what"])
    assert "oct.csv row 5 was" in told and "now 128.8; no correction recorded" in told
    assert (built.folder / "data" / "log" / "readings-log.jsonl").is_file()


def test_to_dict_is_plain(october: qa.evidence.Built) -> None:
    assert json.loads(json.dumps(october.to_dict()))["seal"] == october.seal


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="kill -9")
def test_fifty_kills_of_a_real_build_leave_a_whole_pack(tmp_path: Path) -> None:
    """The build of a small works, killed at random moments of its work, again and again."""
    make_works(tmp_path / "works", around(121.0))
    out, moments = tmp_path / "packs" / "p", random.Random(7)
    out.parent.mkdir()
    command = [
        sys.executable, "-c",
        "import sys, qa_tools as qa; print('ready', flush=True);"
        "qa.evidence.build(sys.argv[1], None, None, sys.argv[2]); print('done', flush=True)",
        str(tmp_path / "works"), str(out),
    ]  # fmt: skip
    began = time.monotonic()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    whole = time.monotonic() - began
    for _ in range(50):
        build = subprocess.Popen(command, stdout=subprocess.PIPE)
        assert build.stdout is not None
        build.stdout.readline()
        time.sleep(moments.random() * whole)
        build.send_signal(signal.SIGKILL)
        build.wait()
        build.stdout.close()
        for form in (out, out.with_name("p.zip")):
            assert qa.evidence.verify(form).ok
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    assert sorted(path.name for path in out.parent.iterdir()) == ["p", "p.zip"]
