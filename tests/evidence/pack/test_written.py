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


SPACES = "[ \xa0\u200b\ufeff]*"


def plain(cell: str) -> str:
    """The text again, by the rule that the docstring gives."""
    return re.sub(rf"(^{SPACES}|[;\t\r\n]{SPACES})'", r"\1", cell)


HARD = st.text(st.sampled_from(list("=+-@\t\r\n';, x\"\uff1d\ufeff\xa0")))


@given(st.lists(HARD | st.text(st.characters(exclude_categories=["Cs"]))))
def test_every_text_comes_back_and_none_begins_like_a_formula(texts: list[str]) -> None:
    data = csv_bytes(pd.DataFrame({"note": texts, "n": 0}))
    found = [row[0] for row in rows_of(data)[1:]]
    assert [plain(cell) for cell in found] == texts
    # also where a spreadsheet splits at semicolons or tabs, or at line ends within a cell
    for part in [one for cell in found for one in re.split(r"[;\t\r\n]", cell)]:
        assert not re.match(rf"{SPACES}[=+\-@\uff1d\uff0b\uff0d\uff20]", part)
    assert not any(cell.startswith(("\t", "\r", "\n")) for cell in found)


def test_ordinary_notes_stay_as_they_are() -> None:
    notes = ["two\r\nlines", "a - b; c", "Miller's; 1-2", "x,-1", "tell MH: +"]
    assert [row[0] for row in rows_of(csv_bytes(pd.DataFrame({"n": notes})))[1:]] == notes


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


def test_numbers_and_days_among_other_things_are_what_they_are(tmp_path: Path) -> None:
    cells = [np.float64(-2.5), np.int64(-3), np.bool_(True), dt.date(2026, 1, 2), DAY, 2**60,
             dt.date(1850, 1, 1), pd.Timestamp("2026-01-01 10:00", tz="UTC"), float("-inf"),
             pd.Timestamp("2026-01-01 10:00:05.123456789"), None]  # fmt: skip
    table = pd.DataFrame({"any": pd.Series(cells, dtype=object)})
    assert [row[0] for row in rows_of(csv_bytes(table))[1:]] == [
        "-2.5", "-3", "True", "2026-01-02", "2026-11-02", "1152921504606846976", "1850-01-01",
        "2026-01-01 10:00:00+00:00", "-inf", "2026-01-01 10:00:05.123456789", "",
    ]  # fmt: skip
    workbook({"a": table}, tmp_path / "a.xlsx", DAY)
    sheet = CalamineWorkbook.from_path(str(tmp_path / "a.xlsx")).get_sheet_by_index(0)
    assert [row[0] for row in sheet.to_python()[1:]] == [
        -2.5, -3.0, True, dt.date(2026, 1, 2), DAY.date(), "1152921504606846976", "1850-01-01",
        "2026-01-01 10:00:00+00:00", "-inf", dt.datetime(2026, 1, 1, 10, 0, 5, 123000),
    ]  # fmt: skip


def test_two_columns_of_one_name(tmp_path: Path) -> None:
    table = pd.DataFrame([[1, "x"]], columns=["a", "a"])
    assert rows_of(csv_bytes(table)) == [["a", "a"], ["1", "x"]]
    workbook({"a": table}, tmp_path / "a.xlsx", DAY)
    sheet = CalamineWorkbook.from_path(str(tmp_path / "a.xlsx")).get_sheet_by_index(0)
    assert sheet.to_python() == [["a", "a"], [1.0, "x"]]


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
    # a workbook counts a sign beyond the first 65,536 as two
    texts = ["x" * 40_000, "\U0001f600" * 20_000, "x" * 32_767, "\U0001f600" * 16_383]
    workbook({"a": pd.DataFrame({"note": texts})}, tmp_path / "a.xlsx", DAY)
    sheet: Any = CalamineWorkbook.from_path(str(tmp_path / "a.xlsx")).get_sheet_by_index(0)
    cells = [row[0] for row in sheet.to_python()[1:]]
    assert [cell.endswith("... (cut)") for cell in cells] == [True, True, False, False]
    assert cells[2:] == texts[2:]
    assert all(len(cell.encode("utf-16-le")) <= 2 * 32_767 for cell in cells)
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
