"""The bench card: one page, what the plan says, and blanks whose answers can be typed back."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path
from typing import Literal

import pytest
from demo_works import DEMO
from works_folder import BATCHES, around, make_works

import qa_tools as qa
from qa_tools.evidence.card import BOXES, bench_card

HEAD = "product,stage,how_many,how_often,aim,low,high,what_to_do,revision,approved_by\n"
BROWSER = next(filter(None, map(shutil.which, ("chromium", "google-chrome", "chrome"))), None)


def cards(folder: Path, *rows: str, product: str | None = None) -> str:
    make_works(folder, around(122.5), plan=HEAD + "".join(f"{row}\n" for row in rows),
               scales="scale,d\nS1,0.1\n")  # fmt: skip
    works = qa.read_works(folder)
    return bench_card(works, folder / "card.html", product).read_text(encoding="utf-8")


def test_a_card_says_what_the_plan_says(tmp_path: Path) -> None:
    text = cards(tmp_path, "bar,packed,30,every batch,121.6,114.6,1234.5678,tell LT,3,LT")
    for words in ("Test bar", "At packing: weigh 30, every batch", "121.6 g", "114.6 g",
                  "1234.5678 g", "tell LT", "revision 3", "approved by LT", "known mass before",
                  "known mass after"):  # fmt: skip
        assert words in text, words
    assert text.count('<div class="card">') == 1
    assert len(re.findall(r"<div>\d+</div>", text)) == 30


def test_a_level_the_plan_leaves_open_is_not_on_the_card(tmp_path: Path) -> None:
    text = cards(tmp_path, "bar,packed,30,every batch,121.6,114.6,,,,")
    assert "<b>low</b>" in text
    assert "<b>high</b>" not in text


def test_only_the_cutter_is_told_of_the_wire(tmp_path: Path) -> None:
    assert "taut wire" in cards(tmp_path / "a", "bar,cut,all,every batch,,,,,,")  # no slots known
    assert "taut wire" not in cards(tmp_path / "b", "bar,packed,30,every batch,,,,,,")


@pytest.mark.parametrize(
    ("how_many", "boxes", "said"),
    [("60", 60, ""), ("120", 60, "takes 2 cards"), ("all", 60, "More than 60"), ("0", 60, "")],
)
def test_as_many_boxes_as_fit_and_never_fewer_in_silence(
    tmp_path: Path, how_many: str, boxes: int, said: str
) -> None:
    text = cards(tmp_path, f"bar,packed,{how_many},every batch,,,,,,")
    assert len(re.findall(r"<div>\d+</div>", text)) == boxes <= BOXES
    assert said in text


def test_a_cutter_card_has_a_line_a_loaf_and_a_place_a_slot(tmp_path: Path) -> None:
    works = qa.read_works(DEMO)
    text = bench_card(works, tmp_path / "card.html", "oat-honey").read_text(encoding="utf-8")
    heads = re.findall(r"<th>([^<]*)</th>", text)
    assert heads == ["loaf", *(f"slot{n}" for n in range(1, 10))]
    assert text.count('<div class="card">') == 2  # at the cutter and at packing


def test_a_loaf_grid_filled_in_reads_back(tmp_path: Path) -> None:
    works = qa.read_works(DEMO)
    text = bench_card(works, tmp_path / "card.html", "oat-honey").read_text(encoding="utf-8")
    heads = re.findall(r"<th>([^<]*)</th>", text)
    rows = "".join(f"{loaf},{','.join(f'{130 + n / 10}' for n in range(9))}\n" for loaf in (1, 2))
    sheet = f"batch,B1\nstage,cut\n\n{','.join(heads)}\n{rows}"
    read = make_works(tmp_path / "works", sheet).weighings.table
    assert len(read) == 18
    assert read["slot"].tolist() == [*range(1, 10)] * 2
    assert set(read["loaf"]) == {"1", "2"}


def test_a_scale_card_filled_in_reads_back(tmp_path: Path) -> None:
    text = cards(tmp_path, "S1,check,1,every day,,,,stop,1,LT", product="S1")
    assert "Scale check" in text
    heads = re.findall(r"<th>([^<]*)</th>", text)
    filled = f"{','.join(heads)}\n2026-10-06,S1,200,200.1,M200,MH\n"
    works = make_works(tmp_path / "back", around(122.5), scale_checks=filled)
    row = works.scale_checks.iloc[0]
    assert (row["scale"], row["applied"], row["shown"]) == ("S1", 200.0, 200.1)
    assert (row["mass_id"], row["by"], f"{row['when']:%d.%m}") == ("M200", "MH", "06.10")


def test_what_stands_in_the_files_stays_text(tmp_path: Path) -> None:
    bad = "<img src=x onerror=alert(1)>"
    text = cards(tmp_path, f"bar,packed,30,{bad},,,,{bad},{bad},{bad}")
    assert "<img" not in text
    assert text.count("&lt;img") == 4
    assert "http" not in text.replace("http-equiv", "")  # nothing is fetched


def test_what_cannot_be_printed_is_refused_in_plain_words(tmp_path: Path) -> None:
    make_works(tmp_path, around(122.5), batches=BATCHES,
               plan=HEAD + "bar,packed,30,every batch,,,,,,\n")  # fmt: skip
    works = qa.read_works(tmp_path)
    with pytest.raises(ValueError, match='no row of "baar"; is "bar" meant'):
        bench_card(works, tmp_path / "card.html", "baar")
    with pytest.raises(ValueError, match="give the name of a file"):
        bench_card(works, tmp_path)
    with pytest.raises(ValueError, match='paper is "A4" or "Letter"'):
        bench_card(works, tmp_path / "card.html", paper="A5")  # type: ignore[arg-type]
    (tmp_path / "plan.csv").unlink()
    with pytest.raises(ValueError, match=r"plan\.csv has no row"):
        bench_card(qa.read_works(tmp_path), tmp_path / "card.html")


@pytest.mark.browser
@pytest.mark.skipif(BROWSER is None, reason="no Chromium on this machine")
@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="no pdftotext on this machine")
@pytest.mark.parametrize(("paper", "size"), [("A4", (595, 842)), ("Letter", (612, 792))])
def test_each_card_is_one_page(
    tmp_path: Path, paper: Literal["A4", "Letter"], size: tuple[int, int]
) -> None:
    folder = tmp_path / "works"
    shutil.copytree(DEMO, folder)
    long = "under 241: hold the tray, and tell LT before going on; " * 8
    with (folder / "plan.csv").open("a", encoding="utf-8") as file:
        file.write(f'rosemary-scrub,filled,120,every batch,253.5,241,266,"{long}",3,LT\n')
        file.write(f'oat-honey,cut,all,every batch,131.5,125,138,"{long}",3,LT\n')
        file.write('S1,check,1,every day,,,,"off by more than 0.1 g: stop",1,LT\n')
    card = bench_card(qa.read_works(folder), tmp_path / "card.html", paper=paper)
    pdf = tmp_path / "card.pdf"
    subprocess.run(
        [str(BROWSER), "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic",
         "--no-first-run", "--disable-background-networking", "--disable-component-update",
         "--disable-sync", f"--user-data-dir={tmp_path / 'profile'}", "--no-pdf-header-footer",
         f"--print-to-pdf={pdf}", card.as_uri()],
        check=True, capture_output=True, timeout=120,
    )  # fmt: skip
    told = subprocess.run(["pdftotext", "-bbox", str(pdf), "-"], check=True, capture_output=True,
                          text=True).stdout  # fmt: skip
    pages = re.findall(r'<page width="([\d.]+)" height="([\d.]+)">(.*?)</page>', told, re.S)
    assert len(pages) == 7
    for width, height, words in pages:
        assert (round(float(width)), round(float(height))) == size
        assert ">plan.csv,</word>" in words  # its last line stands on the same page
