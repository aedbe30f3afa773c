"""The three forms, tables side by side, paper forms typed up, workbooks."""

import datetime as dt
import io
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest
import xlsxwriter

from qa_tools.readings import read_weights, read_works

Write = Callable[[dict[str, str | bytes]], Path]


def table(folder: Write, text: str | bytes, name: str = "oct.csv") -> pd.DataFrame:
    return read_weights(folder({name: text}) / name).table


def test_long_form(folder: Write) -> None:
    rows = table(folder, "batch,when,loaf,slot,weight oz,by\nQ-1,2026-10-02 08:15,4,3,4.2,MH\n")
    row = rows.iloc[0]
    assert row["net_g"] == pytest.approx(119.067997125, abs=1e-12)
    assert (row["unit"], row["loaf"], row["slot"], row["by"]) == ("oz", "4", 3, "MH")
    assert row["when"] == pd.Timestamp("2026-10-02 08:15")
    assert (row["row"], row["column"]) == (2, "weight oz")


def test_wide_form_has_a_reading_in_every_filled_cell(folder: Write) -> None:
    rows = table(folder, "batch,w1,w2,w3\nQ-1,118,,119\nQ-2,120,121,\n")
    assert rows["net_g"].tolist() == [118, 119, 120, 121]
    assert rows["column"].tolist() == ["w1", "w3", "w1", "w2"]
    assert rows["batch"].tolist() == ["Q-1", "Q-1", "Q-2", "Q-2"]
    assert rows["row"].tolist() == [2, 2, 3, 3]


def test_loaf_form_gives_slots(folder: Write) -> None:
    rows = table(folder, "batch;loaf;slot1;slot2;slot3\nQ-1;A;130,1;131;\nQ-1;B;129,9;;130\n")
    assert rows[["loaf", "slot"]].values.tolist() == [["A", 1], ["A", 2], ["B", 1], ["B", 3]]
    assert rows["column"].tolist() == ["slot1", "slot2", "slot1", "slot3"]
    assert set(rows["step_g"]) == {0.1}


def test_bare_numbers_are_slots_beside_a_loaf_and_packages_beside_none(folder: Write) -> None:
    loaves = table(folder, "batch,loaf,1,2\nQ-1,1,130,131\n", "loaves.csv")
    assert loaves["slot"].tolist() == [1, 2]
    packs = table(folder, "batch,1,2\nQ-1,130,131\n", "packs.csv")
    assert packs["slot"].isna().all()


def test_a_paper_form_typed_up(folder: Write) -> None:
    """Pairs in one cell, blank lines, two forms one below the other, a line of means."""
    weighings = read_weights(
        folder(
            {
                "form.csv": "Weighing sheet,,,\n,,,\nBatch: Q-1   Date: 2026-10-02,,,\n,,,\n"
                "Loaf no,1,2,3\n1,130.1,131.2,129.9\n,,,\n2,130.3,,x\nMean,130.2,131.2,129.9\n"
                ",,,\nBatch: Q-2   Date: 2026-10-03,,,\nLoaf no,1,2,3\n1,129.1,128.2,127.9\n"
            }
        )
        / "form.csv"
    )
    rows = weighings.table
    assert rows["net_g"].tolist() == [130.1, 131.2, 129.9, 130.3, 129.1, 128.2, 127.9]
    assert rows["batch"].tolist() == ["Q-1"] * 4 + ["Q-2"] * 3
    assert rows["when"].dt.day.tolist() == [2] * 4 + [3] * 3
    assert rows["row"].tolist() == [6, 6, 6, 8, 13, 13, 13]
    reasons = weighings.not_used[["row", "value", "reason"]].values.tolist()
    assert reasons[0] == [8, "x", '"x" is not a number']
    assert [reason for _, _, reason in reasons[1:]] == [
        "the row sums up others; it is no weighing"
    ] * 3


def test_tables_side_by_side(folder: Write) -> None:
    rows = table(folder, "Batch,Q-1,,\nloaf,weight,loaf,weight\n1,121,2,120\n1,122,2,119\n")
    assert rows["loaf"].tolist() == ["1", "2", "1", "2"]
    assert rows["net_g"].tolist() == [121, 120, 122, 119]
    assert rows["column"].tolist()[:2] == ["weight (column B)", "weight (column D)"]


def test_net_comes_before_gross_and_gross_fills_its_gaps(folder: Write) -> None:
    rows = table(folder, "batch,gross,tare,net\nQ-1,430,180,250\nQ-1,431,180,\n")
    assert rows["net_g"].tolist() == [250, 251]
    assert rows["column"].tolist() == ["net", "gross"]


def test_workbook_with_merged_cells_two_heading_rows_and_dates(folder: Write) -> None:
    memory = io.BytesIO()
    book = xlsxwriter.Workbook(memory, {"in_memory": True})
    day = book.add_format({"num_format": "dd/mm/yyyy"})
    sheet = book.add_worksheet("Q-7 packed")
    sheet.merge_range(0, 0, 0, 4, "Weighing sheet")
    sheet.write_row(2, 0, ["Date", "By", "Weights (g)"])
    sheet.write_row(3, 2, [1, 2, 3])
    for row in (4, 5):
        sheet.write_datetime(row, 0, dt.datetime(2026, 10, row), day)
        sheet.write_row(row, 2, [118.30000000000001, 119, 120.25])
    sheet.merge_range(4, 1, 5, 1, "MH")
    sheet.set_row(3, None, None, {"hidden": True})
    book.close()
    files = {
        "batches.csv": "batch,product\nQ-7,oat\n",
        "weights/book.xlsx": memory.getvalue(),
    }
    rows = read_works(folder(files)).weighings.table
    assert rows["net_g"].tolist() == [118.3, 119, 120.25] * 2
    assert set(rows["by"]) == {"MH"}
    assert set(rows["batch"]) == {"Q-7"}
    assert set(rows["stage"]) == {"packed"}
    assert rows["when"].dt.day.tolist() == [4] * 3 + [5] * 3
    assert rows["row"].tolist() == [5] * 3 + [6] * 3
    assert set(rows["sheet"]) == {"Q-7 packed"}


def test_a_file_of_numbers_alone_is_one_batch_called_after_it(folder: Write) -> None:
    rows = table(folder, "118.4\n119.0\n120.2\n", "friday.csv")
    assert rows["net_g"].tolist() == [118.4, 119.0, 120.2]
    assert set(rows["batch"]) == {"friday"}


def test_a_number_with_a_decimal_comma_is_not_read_without_its_tenths(folder: Write) -> None:
    """Commas between cells and in the numbers: 121,4 must not become 121."""
    weighings = read_weights(folder({"oct.csv": "batch,weight\nQ-1,121,4\nQ-1,120\n"}) / "oct.csv")
    assert weighings.table["net_g"].tolist() == [120]
    assert "decimal comma" in weighings.not_used["reason"][0]


def test_numbers_under_no_heading_are_not_lost(folder: Write) -> None:
    """A heading merged over three columns stands over the first of them only."""
    text = "batch;Weights;;;note\nQ-1;118.2;119.4;120.1;\nQ-1;118.3;;x;7\n"
    weighings = read_weights(folder({"oct.csv": text}) / "oct.csv")
    assert weighings.table["net_g"].tolist() == [118.2, 118.3]
    assert weighings.not_used[["row", "column", "value"]].values.tolist() == [
        [2, "column C", "119.4"],
        [2, "column D", "120.1"],
    ]
    assert set(weighings.not_used["reason"]) == {"it stands under no heading"}
