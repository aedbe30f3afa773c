"""A folder, or one workbook, becomes the tidy tables and the weighings."""

import sys
import types
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest
import xlsxwriter

from qa_tools.readings import ReadingError, labels_on, read_works
from qa_tools.readings.lists import LISTS, TABLES

Write = Callable[[dict[str, str | bytes]], Path]


def test_all_tables_are_there_even_where_absent(folder: Write) -> None:
    works = read_works(folder({"weights/a.csv": "batch,weight\nQ-1,118\n"}))
    for name in LISTS:
        table = getattr(works, name)
        assert list(table.columns) == list(TABLES[name]["columns"]), name
        assert len(table) == 0
    assert len(works.unread) == 0 and len(works.questions) == 0
    assert list(works.unread.columns) == ["file", "expected", "found", "to_do", "row"]


def test_a_folder_without_weights_subfolder_is_read_through(folder: Write) -> None:
    works = read_works(
        folder({"batches.csv": "batch,product\nQ-1,oat\n", "oct/a.csv": "batch,weight\nQ-1,118\n",
                "README.md": "# notes", "plan.pdf": b"%PDF-1.7"})
    )  # fmt: skip
    assert works.weighings.table["file"].tolist() == ["oct/a.csv"]
    assert works.weighings.table["product"].tolist() == ["oat"]
    assert len(works.unread) == 0


def test_beside_a_weights_folder_other_folders_are_left_alone(folder: Write) -> None:
    works = read_works(
        folder(
            {
                "weights/2026/a.csv": "batch,weight\nQ-1,118\n",
                "old/b.csv": "batch,weight\nQ-1,119\n",
            }
        )
    )
    assert works.weighings.table["file"].tolist() == ["weights/2026/a.csv"]


def test_one_workbook_with_a_sheet_per_table(tmp_path: Path) -> None:
    path = tmp_path / "quillhaven.xlsx"
    book = xlsxwriter.Workbook(str(path))
    for name, rows in {
        "Products": [["Product", "Form"], ["oat", "bar"]],
        "Batches": [["Batch", "Product", "Packages"], [412, "oat", 108]],
        "Scale checks": [
            ["when", "scale", "applied", "shown"],
            ["2026-10-02", "S1", "200 g", 200.1],
        ],
        "October": [["Batch", "Weight"], [412, 118.5], [412, 119]],
        "Empty": [],
    }.items():
        sheet = book.add_worksheet(name)
        for number, row in enumerate(rows):
            sheet.write_row(number, 0, row)
    book.close()
    works = read_works(path)
    assert works.name == "quillhaven"
    assert works.products["form"].tolist() == ["bar"]
    assert works.batches["batch"].tolist() == ["412"]
    assert works.scale_checks[["applied", "shown", "unit"]].values.tolist() == [[200.0, 200.1, "g"]]
    table = works.weighings.table
    assert table[["batch", "product", "sheet"]].drop_duplicates().values.tolist() == [
        ["412", "oat", "October"]
    ]


def test_a_sheet_of_a_workbook_that_holds_no_weights_may_stay(tmp_path: Path) -> None:
    path = tmp_path / "works.xlsx"
    book = xlsxwriter.Workbook(str(path))
    for name, rows in {
        "Read me": [["How to fill this in"]],
        "Sales": [["shop", "jars"], ["A", 12]],
        "Oct": [["batch", "weight"], ["Q-1", 118]],
    }.items():
        sheet = book.add_worksheet(name)
        for number, row in enumerate(rows):
            sheet.write_row(number, 0, row)
    book.close()
    unread = read_works(path).unread
    assert unread[["file", "row"]].to_numpy().tolist() == [
        ["works.xlsx, sheet Read me", 0], ["works.xlsx, sheet Sales", 0],
    ]  # fmt: skip
    assert unread["to_do"].unique().tolist() == [
        'Head the column of weights "weight", if there is one; else leave the sheet as it is'
    ]


def test_lists_are_tidied(folder: Write) -> None:
    works = read_works(
        folder(
            {
                "weights/a.csv": "batch,weight\nQ-1,118\n",
                "labels.csv": "Product;Declared;Unit;Declared 2;Unit 2;e mark;from\n"
                "oat;120;g;;;yes;01.03.2025\noat;4,2;oz;120;g;;31.12.2025\nbad;100;ml;;;;\n",
                "batches.csv": "batch,product,made_on,packages\nQ-1,oat,2026-09-01,108\nQ-2,oat,soon,many\n",  # noqa: E501
                "scales.csv": "scale,d,max,e\nS1,0.1 g,3 kg,1\n",
                "tare.csv": "product,part,tare (oz)\noat,band,0.05\n",
                "wires.csv": "when,cutter,wire,what,note_hz\n2026-02-02,C1,1,fitted,1511\n",
            }
        )
    )
    labels = works.labels
    assert labels["declared"].tolist() == ["120 g", "4,2 oz / 120 g"]
    assert labels["e_mark"].tolist() == [True, False]
    assert labels["from"].tolist() == [pd.Timestamp("2025-03-01"), pd.Timestamp("2025-12-31")]
    assert works.batches["packages"].tolist() == [108, pd.NA]
    assert str(works.batches["packages"].dtype) == "Int64"
    assert works.batches["made_on"].isna().tolist() == [False, True]
    assert works.scales[["d", "max", "e"]].values.tolist() == [[0.1, 3000.0, 1.0]]
    assert works.tare[["tare", "unit"]].values.tolist() == [[0.05, "oz"]]
    assert works.wires["note_hz"].tolist() == [1511.0]
    found = works.unread[["file", "found"]].values.tolist()
    assert found[0][0] == "batches.csv" or found[0][0] == "labels.csv"
    assert {file for file, _ in found} == {"batches.csv", "labels.csv"}
    assert any("'many'" in text for _, text in found)
    assert any("volume" in text for _, text in found)


def test_labels_on_a_day() -> None:
    labels = pd.DataFrame(
        {
            "product": ["oat", "oat", "scrub"],
            "declared": ["125 g", "120 g", "250 g"],
            "from": pd.to_datetime([None, "2025-03-01", None]),
            "to": pd.to_datetime(["2025-02-28", None, "2025-12-31"]),
        }
    )
    assert labels_on(labels, "oat", pd.Timestamp("2025-02-28 14:00"))["declared"].tolist() == [
        "125 g"
    ]
    assert labels_on(labels, "oat", pd.Timestamp("2025-03-01"))["declared"].tolist() == ["120 g"]
    assert labels_on(labels, "oat", None)["declared"].tolist() == ["120 g"]
    assert labels_on(labels, "scrub", pd.NaT)["declared"].tolist() == ["250 g"]
    assert len(labels_on(labels, "balm", None)) == 0


def test_no_folder_and_nothing_in_it(tmp_path: Path) -> None:
    with pytest.raises(ReadingError, match="there is no folder"):
        read_works(tmp_path / "nowhere")
    with pytest.raises(ReadingError, match="no weights were found"):
        read_works(tmp_path)


def test_a_large_folder_is_read_in_silence_where_nobody_watches(
    folder: Write, capsys: pytest.CaptureFixture[str]
) -> None:
    files: dict[str, str | bytes] = {
        f"weights/{n:03d}.csv": f"batch,weight\nQ-{n},118.{n % 10}\n" for n in range(250)
    }
    works = read_works(folder(files))
    assert len(works.weighings.table) == 250
    captured = capsys.readouterr()
    assert (captured.out, captured.err) == ("", "")


def test_a_terminal_that_watches_sees_a_bar_and_a_notebook_its_own(
    folder: Write, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from rich.console import Console

    place = folder({f"weights/{n:03d}.csv": f"batch,weight\nQ-{n},118\n" for n in range(250)})
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setattr(Console, "is_terminal", property(lambda self: True))
    assert len(read_works(place).weighings) == 250
    assert "reading" in capsys.readouterr().err
    monkeypatch.setattr("rich.console._is_jupyter", lambda: True)
    shown: list[str] = []
    display = types.SimpleNamespace(
        HTML=str,
        display=lambda first, display_id: types.SimpleNamespace(update=shown.append),
    )
    monkeypatch.setitem(sys.modules, "IPython.display", display)
    assert len(read_works(place).weighings) == 250
    assert "reading 245 of 250 files" in shown[-2] and shown[-1] == ""


def test_tabs_in_a_text_file(tmp_path: Path) -> None:
    (tmp_path / "a.txt").write_text("batch\tweight\nQ-1\t118\n", encoding="utf-8")
    assert len(read_works(tmp_path).weighings) == 1
