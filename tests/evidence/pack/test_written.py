"""Tables for others: every cell stays what it is, in CSV and in a workbook."""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from python_calamine import CalamineWorkbook

import qa_tools as qa
from qa_tools.evidence.pack import written
from qa_tools.evidence.pack.written import csv_bytes, workbook

DAY = dt.datetime(2026, 11, 2)
HOSTILE = [
    "=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", '=HYPERLINK("http://x")', "'=1",
    "=cmd|' /C x'!A0", "https://example.org", "mailto:a@b", "</script>", "a\nb", 'a"b', "é€",
    "\x01", "\u0085",
]  # fmt: skip


def rows_of(data: bytes) -> list[list[str]]:
    return list(csv.reader(io.StringIO(data.decode("utf-8"), newline="")))


def plain(cell: str) -> str:
    """The text again, by the rule that the docstring gives."""
    return cell[1:] if cell.startswith("'") else cell


@given(st.lists(st.text(st.characters(exclude_categories=["Cs"]))))
def test_every_text_comes_back_and_none_begins_like_a_formula(texts: list[str]) -> None:
    found = [row[0] for row in rows_of(csv_bytes(pd.DataFrame({"note": texts, "n": 0})))[1:]]
    assert [plain(cell) for cell in found] == texts
    assert not any(cell.startswith(written.FORMULA) for cell in found)


@given(st.lists(st.floats(allow_infinity=False)))
def test_every_number_comes_back_to_the_last_digit(numbers: list[float]) -> None:
    found = [row[0] for row in rows_of(csv_bytes(pd.DataFrame({"net": numbers}, dtype=float)))[1:]]
    for text, number in zip(found, numbers, strict=True):
        assert (text == "") if np.isnan(number) else (float(text) == number)


def test_kinds_of_cells() -> None:
    table = pd.DataFrame(
        {
            "slot": pd.array([1, None], dtype="Int64"),
            "kept": [True, False],
            "day": pd.to_datetime(["2026-11-02", None]),
            "time": pd.to_datetime(["2026-11-02 09:30:00", "2026-11-02 09:31:05"]),
            "any": [None, 1.5],
            "=head": ["x", "y"],
        }
    )
    assert rows_of(csv_bytes(table)) == [
        ["slot", "kept", "day", "time", "any", "'=head"],
        ["1", "True", "2026-11-02", "2026-11-02 09:30:00", "", "x"],
        ["", "False", "", "2026-11-02 09:31:05", "1.5", "y"],
    ]
    assert csv_bytes(pd.DataFrame({"a": []})) == b"a\r\n"
    assert csv_bytes(pd.DataFrame()) == b"\r\n"


def test_a_workbook_holds_texts_and_numbers_and_no_formula(tmp_path: Path) -> None:
    table = pd.DataFrame(
        {"note": HOSTILE, "net": np.linspace(-2.5, 121.4, len(HOSTILE)), "day": pd.Timestamp(DAY)}
    )
    path = tmp_path / "t.xlsx"
    workbook({"notes": table}, path, DAY)
    with zipfile.ZipFile(path) as archive:
        sheet = archive.read("xl/worksheets/sheet1.xml").decode()
        assert not re.search(r"<f>|<hyperlink", sheet)
        assert "externalLink" not in "".join(archive.namelist())
    rows = CalamineWorkbook.from_path(str(path)).get_sheet_by_name("notes").to_python()
    assert rows[0] == ["note", "net", "day"]
    for (note, net, day), text, number in zip(rows[1:], HOSTILE, table["net"], strict=True):
        assert isinstance(note, str) and net == pytest.approx(number, rel=1e-15)
        assert day == DAY.date()
        if text.isprintable():
            assert note == text


def test_two_writings_are_the_same_bytes(tmp_path: Path, demo_works: qa.Works) -> None:
    tables = {"used": demo_works.weighings.table.head(200)}
    workbook(tables, tmp_path / "a.xlsx", DAY)
    workbook(tables, tmp_path / "b.xlsx", DAY)
    assert (tmp_path / "a.xlsx").read_bytes() == (tmp_path / "b.xlsx").read_bytes()


def test_a_long_text_is_cut_and_says_so_and_a_long_table_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    workbook({"a": pd.DataFrame({"note": ["x" * 40_000]})}, tmp_path / "a.xlsx", DAY)
    cell: Any = CalamineWorkbook.from_path(str(tmp_path / "a.xlsx")).get_sheet_by_index(0)
    assert cell.to_python()[1][0].endswith("... (cut)")
    monkeypatch.setattr(written, "ROWS", 3)
    with pytest.raises(ValueError, match="more than a sheet of a workbook holds"):
        workbook({"a": pd.DataFrame({"n": range(3)})}, tmp_path / "b.xlsx", DAY)


@settings(max_examples=30)
@given(st.lists(st.text(), min_size=1, max_size=5))
def test_any_text_can_be_put_into_a_workbook(
    tmp_path_factory: pytest.TempPathFactory, texts: list[str]
) -> None:
    path = tmp_path_factory.mktemp("any") / "t.xlsx"
    workbook({"a": pd.DataFrame({"note": texts, "last": "x"})}, path, DAY)
    rows = CalamineWorkbook.from_path(str(path)).get_sheet_by_index(0).to_python()
    assert [row[-1] for row in rows[1:]] == ["x"] * len(texts)
