"""The PDF: by a real browser, the identity on every page, the same bytes each time."""

from __future__ import annotations

import datetime as dt
import os
import re
import shutil
import stat
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

from qa_tools.evidence.pack import printed
from qa_tools.evidence.pack.page import evidence_page
from qa_tools.evidence.pack.section import Section
from qa_tools.pictures.paper import strip

MADE = dt.datetime(2026, 11, 2, 12, tzinfo=dt.UTC)
IDENTITY = "3f2a 91c0 77be"
NAME = "Quillhaven </style> " + "W" * 90  # no space in it where a line could end
POINTS = {"A4": (595, 842), "Letter": (612, 792)}  # ISO 216 and ANSI Y14.1, in 1/72 inch

needs_browser = pytest.mark.skipif(
    printed.found_browser() is None, reason="no Chromium, Chrome or Edge on this machine"
)


def write_page(path: Path, paper: str) -> Path:
    """Thirty sections of long tables with long words, wider than any paper."""
    rows = pd.DataFrame(
        [
            {"batch": f"B-{at:03}", "file": "weights/" + "x" * 90 + ".csv", "row": at,
             "reason": "plain words that go on for a while " * 3, "note": "W" * 120,
             "last": f"end{at:03}"}
            for at in range(12)
        ]
    )  # fmt: skip
    one = {
        "name": "S1",
        "about": {},
        "checks": 0,
        "masses": "",
        "by": "",
        "most": 0.0,
        "picture": strip([119.0, 121.0], declared=120, short=114.6, twice=109.2, mean=120,
                         lower=float("nan"), upper=float("nan"), light=[False] * 2, title="t"),
    }  # fmt: skip
    tare = {"product": "W" * 90, "part": "jar", "when": None, "lot": "L" * 90, "n": 3, "mean": 14.2,
            "sd": None, "unit": "g"}  # fmt: skip
    sections = [
        Section("not-used", f"Section {at}", {"many": 12, "rest": 0}, {"readings": rows})
        for at in range(29)
    ]
    sections.append(Section("scales", "Scales", {"scales": [one], "tare": [tare]}))
    path.write_text(
        evidence_page(NAME, "October", sections, identity=IDENTITY, paper=paper, made_at=MADE),
        encoding="utf-8",
    )
    return path


@needs_browser
@pytest.mark.browser
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_every_page_has_identity_and_number_and_nothing_is_cut(paper: str, tmp_path: Path) -> None:
    if shutil.which("pdftotext") is None:
        pytest.skip("no pdftotext (poppler) on this machine")
    pdf = tmp_path / "evidence.pdf"
    page = write_page(tmp_path / "evidence.html", paper)
    assert printed.print_pdf(page, pdf, made_at=MADE) == ""
    layout = ["pdftotext", "-layout", str(pdf), "-"]
    pages = subprocess.run(layout, capture_output=True, check=True).stdout.decode().split("\f")[:-1]
    assert len(pages) >= 30
    for number, text in enumerate(pages, 1):
        assert f"identity {IDENTITY}" in text
        assert f"{number} of {len(pages)}" in text
    # each row of each table to its last column, and all words between the margins
    assert len(re.findall(r"end\d{3}", "".join(pages))) == 29 * 12
    boxes = subprocess.run(["pdftotext", "-bbox", str(pdf), "-"], capture_output=True, check=True)
    width, height = POINTS[paper]
    edges = re.findall(r'xMin="(-?[\d.]+)" yMin="[-\d.]+" xMax="(-?[\d.]+)"', boxes.stdout.decode())
    assert len(edges) > 10_000
    margin = 14 / 25.4 * 72
    assert min(float(left) for left, _ in edges) > margin - 1
    assert max(float(right) for _, right in edges) < width - margin + 1
    sizes = set(re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", pdf.read_bytes()))
    assert [(round(float(x)), round(float(y))) for x, y in sizes] == [(width, height)]


@needs_browser
@pytest.mark.browser
def test_two_prints_are_the_same_bytes_and_say_when(tmp_path: Path) -> None:
    page = write_page(tmp_path / "evidence.html", "A4")
    (tmp_path / "elsewhere").mkdir()
    again = shutil.copy(page, tmp_path / "elsewhere" / "evidence.html")
    made = []
    for at, source in enumerate((page, again)):
        pdf = tmp_path / f"{at}.pdf"
        assert printed.print_pdf(Path(source), pdf, made_at=MADE) == ""
        made.append(pdf.read_bytes())
    assert made[0] == made[1]
    assert (
        re.findall(rb"/(?:CreationDate|ModDate) ?\((.*?)\)", made[0])
        == [b"D:20261102120000+00'00'"] * 2
    )
    assert str(tmp_path).encode() not in made[0]


def test_without_a_browser_it_says_so_and_writes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    page, pdf = tmp_path / "evidence.html", tmp_path / "evidence.pdf"
    page.write_text("<p>x", encoding="utf-8")
    monkeypatch.delenv(printed.BROWSER, raising=False)
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setattr(printed, "_PLACES", ())
    monkeypatch.setattr(printed, "_OWN", ())
    assert "no Chromium, Chrome or Edge" in printed.print_pdf(page, pdf, made_at=MADE)
    monkeypatch.setenv(printed.BROWSER, str(tmp_path / "gone"))
    assert f"names {tmp_path / 'gone'}, which" in printed.print_pdf(page, pdf, made_at=MADE)
    assert not pdf.exists()


@pytest.mark.skipif(sys.platform == "win32", reason="a shell script stands for the browser")
@pytest.mark.parametrize(
    ("script", "said"),
    [("exit 3", "ended with status 3"), ("exit 0", "wrote nothing"), ("sleep 9", "more than 1 s")],
)
def test_a_browser_that_fails_is_told_in_a_line(
    script: str, said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    browser = tmp_path / "browser"
    browser.write_text(
        f"#!/bin/sh\nexec {script}\n" if "sleep" in script else f"#!/bin/sh\n{script}\n"
    )
    browser.chmod(stat.S_IRWXU)
    monkeypatch.setenv(printed.BROWSER, str(browser))
    monkeypatch.setattr(printed, "_PATIENCE", 1)
    page, pdf = tmp_path / "evidence.html", tmp_path / "evidence.pdf"
    page.write_text("<p>x", encoding="utf-8")
    told = printed.print_pdf(page, pdf, made_at=MADE)
    assert said in told and "\n" not in told and "--headless" not in told
    assert not pdf.exists()


@pytest.mark.skipif(sys.platform == "win32", reason="a shell script stands for the browser")
def test_the_browser_gets_its_own_profile_and_no_shell(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    browser = tmp_path / "a browser; touch owned"
    browser.write_text(
        "#!/bin/sh\n"
        f"printf '%s\\n' \"$@\" > {tmp_path}/asked\n"
        'for one; do case "$one" in --print-to-pdf=*) echo "%PDF" > "${one#*=}";; esac; done\n'
    )
    browser.chmod(stat.S_IRWXU)
    monkeypatch.setenv(printed.BROWSER, str(browser))
    monkeypatch.chdir(tmp_path)
    page, pdf = tmp_path / "it's $(touch owned).html", tmp_path / "evidence.pdf"
    page.write_text("<p>x", encoding="utf-8")
    assert printed.print_pdf(page, pdf, made_at=MADE) == ""
    assert pdf.read_bytes() == b"%PDF\n"
    assert not (tmp_path / "owned").exists()
    asked = (tmp_path / "asked").read_text().splitlines()
    profile = next(one for one in asked if one.startswith("--user-data-dir="))
    assert not Path(profile.partition("=")[2]).exists()  # gone afterwards
    assert ("--no-sandbox" in asked) == (sys.platform == "linux" and os.geteuid() == 0)
    assert asked[-1].startswith("file:///")


@pytest.mark.parametrize("zone", ["+00'00'", "+02'30'", "Z", ""])
def test_dates_are_set_and_no_other_byte_moves(zone: str) -> None:
    before = f"x/CreationDate (D:20200101000000{zone})\n/ModDate(D:20200101000000{zone})y".encode()
    after = printed.dated(
        before, dt.datetime(2026, 11, 2, 14, tzinfo=dt.timezone(dt.timedelta(hours=2)))
    )
    assert len(after) == len(before)
    assert after.count(b"D:20261102120000") == 2
    assert after.startswith(b"x/CreationDate (D:") and after.endswith(b")y")
