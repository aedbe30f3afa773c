"""The three forms, header blocks, names that say something, paper forms typed up."""

import datetime as dt
import io
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest
import xlsxwriter

from qa_tools.readings import read_weights, read_works
from qa_tools.readings.layout import Names, said_by_name

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


def test_a_header_block_holds_for_all_rows(folder: Write) -> None:
    rows = table(
        folder,
        "Weighing sheet,,\n\nBatch,Q-1,\nDate:,02.10.2026,\nUnit,oz,\nScale,S1,\nBy,MH,\n\n"
        "slot,weight,by\n1,4.2,\n2,4.3,PR\n",
    )
    assert rows["batch"].tolist() == ["Q-1", "Q-1"]
    assert rows["unit"].tolist() == ["oz", "oz"]
    assert rows["scale"].tolist() == ["S1", "S1"]
    assert rows["by"].tolist() == ["MH", "PR"]


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


def test_a_line_of_a_header_block_is_no_heading_row(folder: Write) -> None:
    """The name of scale S1 looks like the first slot."""
    rows = table(folder, "Batch,Q-1\nScale,S1\nCutter,W1\nloaf,slot1,slot2\n1,130,131\n")
    assert rows["net_g"].tolist() == [130, 131]
    assert set(rows["scale"]) == {"S1"}


def test_tables_side_by_side(folder: Write) -> None:
    rows = table(folder, "Batch,Q-1,,\nloaf,weight,loaf,weight\n1,121,2,120\n1,122,2,119\n")
    assert rows["loaf"].tolist() == ["1", "2", "1", "2"]
    assert rows["net_g"].tolist() == [121, 120, 122, 119]
    assert rows["column"].tolist()[:2] == ["weight (column B)", "weight (column D)"]


def test_net_comes_before_gross_and_gross_fills_its_gaps(folder: Write) -> None:
    rows = table(folder, "batch,gross,tare,net\nQ-1,430,180,250\nQ-1,431,180,\n")
    assert rows["net_g"].tolist() == [250, 251]
    assert rows["column"].tolist() == ["net", "gross"]


def test_a_name_written_once_holds_for_the_rows_under_it(folder: Write) -> None:
    rows = table(folder, "batch,weight\nQ-1,118\n,119\n,120\nQ-2,121\n,122\n")
    assert rows["batch"].tolist() == ["Q-1"] * 3 + ["Q-2"] * 2


def test_a_blank_is_a_blank_where_names_come_back(folder: Write) -> None:
    weighings = read_weights(
        folder({"oct.csv": "batch,weight\nQ-1,118\nQ-2,119\n,120\nQ-1,121\n"}) / "oct.csv"
    )
    assert weighings.table["batch"].tolist() == ["Q-1", "Q-2", "Q-1"]
    assert weighings.not_used["reason"].tolist() == ["neither batch nor product is said"]


def test_ditto_marks(folder: Write) -> None:
    rows = table(folder, "batch,weight\nQ-1,118\nditto,119\nQ-2,120\n″,121\n")
    assert rows["batch"].tolist() == ["Q-1", "Q-1", "Q-2", "Q-2"]


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


def test_time_in_its_own_column_and_missing_on_some_days(folder: Write) -> None:
    rows = table(folder, "batch,date,time,weight\nQ-1,2026-10-02,8:15,118\nQ-1,2026-10-03,,119\n")
    assert rows["when"].tolist() == [
        pd.Timestamp("2026-10-02 08:15"),
        pd.Timestamp("2026-10-03"),
    ]


@pytest.mark.parametrize(
    ("name", "said"),
    [
        (
            "oat-honey packed 2026-10-12",
            {"product": "oat-honey", "stage": "packed", "when": "2026-10-12"},
        ),
        ("Oat and honey bar", {"product": "oat-honey"}),
        ("Q-0412", {"batch": "Q-0412"}),
        ("cut_Q-0412", {"batch": "Q-0412", "stage": "cut"}),
        ("batch Z-9", {"batch": "Z-9"}),
        ("october", {}),
        ("Sheet1", {}),
    ],
)
def test_what_a_name_says(name: str, said: dict[str, str]) -> None:
    names = Names(("Q-0412", "Q-0413"), ("oat-honey",), (("Oat and honey bar", "oat-honey"),))
    assert said_by_name(name, names) == said


def test_a_file_of_numbers_alone_is_one_batch_called_after_it(folder: Write) -> None:
    rows = table(folder, "118.4\n119.0\n120.2\n", "friday.csv")
    assert rows["net_g"].tolist() == [118.4, 119.0, 120.2]
    assert set(rows["batch"]) == {"friday"}


def test_a_number_with_a_decimal_comma_is_not_read_without_its_tenths(folder: Write) -> None:
    """Commas between cells and in the numbers: 121,4 must not become 121."""
    weighings = read_weights(folder({"oct.csv": "batch,weight\nQ-1,121,4\nQ-1,120\n"}) / "oct.csv")
    assert weighings.table["net_g"].tolist() == [120]
    assert "decimal comma" in weighings.not_used["reason"][0]


def test_one_known_heading_is_enough_over_numbers(folder: Write) -> None:
    rows = table(folder, "Batch,Q-1\nWeighed,bare\nUnit,oz\n\nNo.,Weight\n1,4.2\n2,4.3\n")
    assert rows["weight"].tolist() == [4.2, 4.3]
    assert set(rows["weighed"]) == {"bare"}
    assert set(rows["unit"]) == {"oz"}
    assert table(folder, "#;g\n1;131,2\n2;131,4\n", "lot 13.csv")["net_g"].tolist() == [
        131.2,
        131.4,
    ]


def test_how_it_was_weighed_said_once(folder: Write) -> None:
    weighings = read_weights(
        folder({"oct.csv": "Batch,Q-1\nWeighed,gross\nTare,14.2\nLoaf,3\n\nslot,weight\n1,74.2\n"})
        / "oct.csv"
    )
    row = weighings.table.iloc[0]
    assert (row["weighed"], row["loaf"], row["tare_g"], row["net_g"]) == ("gross", "3", 14.2, 60.0)


def test_a_repeated_heading_loses_no_reading_above_it(tmp_path):
    from qa_tools.readings import read_weights

    path = tmp_path / "two.csv"
    path.write_text("weight,note\n118.4,\n119.0,\n117.2,\nweight,note\n120.1,\n", encoding="utf-8")
    read = read_weights(path)
    assert len(read.table) + len(read.not_used) == 4


def test_what_a_block_says_of_its_packages_ends_with_the_next_batch(folder: Write) -> None:
    rows = table(
        folder,
        "Batch,Q-1\nProduct,oat\nFate,pulled\nLoaf,3\nPicked,random\nNote,damp\nUnit,oz\nBy,MH\n"
        "Date,2026-10-02\n\nslot,weight\n1,4.2\n\nBatch,Q-2\nslot,weight\n1,4.1\n",
    )
    assert rows["batch"].tolist() == ["Q-1", "Q-2"]
    for name, said in (("product", "oat"), ("fate", "pulled"), ("loaf", "3"), ("note", "damp")):
        assert rows[name].tolist() == [said, ""]
    assert rows["picked"].tolist() == ["random", ""]
    # how they were weighed holds on
    assert rows["unit"].tolist() == ["oz", "oz"]
    assert rows["by"].tolist() == ["MH", "MH"]
    assert rows["when"].dt.day.tolist() == [2, 2]


def test_what_stands_on_top_above_an_empty_line_holds_for_the_whole_sheet(folder: Write) -> None:
    rows = table(
        folder,
        "Product,oat\nNote,new recipe\n\nBatch,Q-1\nFate,pulled\nslot,weight\n1,118\n\n"
        "Batch,Q-2\nslot,weight\n1,119\n",
    )
    assert rows["product"].tolist() == ["oat", "oat"]
    assert rows["note"].tolist() == ["new recipe", "new recipe"]
    assert rows["fate"].tolist() == ["pulled", ""]


def test_a_block_that_names_no_batch_goes_on_with_the_last(folder: Write) -> None:
    rows = table(
        folder,
        "Batch,Q-1\nProduct,oat\nLoaf,1\nslot,weight\n1,118\n\nLoaf,2\nslot,weight\n1,119\n",
    )
    assert rows["batch"].tolist() == ["Q-1", "Q-1"]
    assert rows["product"].tolist() == ["oat", "oat"]
    assert rows["loaf"].tolist() == ["1", "2"]


def test_the_next_block_of_the_same_batch_is_of_the_same_product(folder: Write) -> None:
    rows = table(
        folder,
        "Batch,Q-1\nProduct,oat\nFate,pulled\nslot,weight\n1,118\n\nBatch,Q-1\nLoaf,2\n"
        "slot,weight\n1,119\n",
    )
    assert rows["product"].tolist() == ["oat", "oat"]
    assert rows["fate"].tolist() == ["pulled", ""]


def test_gross_weights_do_not_pass_for_net_where_the_tare_was_of_the_batch_before(
    folder: Write,
) -> None:
    text = "Batch,Q-1\nTare,14\nslot,weight\n1,74\n\nBatch,Q-2\nslot,weight\n1,75\n"
    weighings = read_weights(folder({"oct.csv": text}) / "oct.csv")
    assert weighings.table["net_g"].tolist() == [60]
    assert "no empty part" in weighings.not_used["reason"][0]


@pytest.mark.parametrize(
    "text",
    [
        "batch,w1,w2\nQ-1,118,119\nQ-2,118,119\n,120,121\nQ-4,118,119\n",
        "batch,loaf,slot1,slot2\nQ-1,1,118,119\nQ-2,1,118,119\n,2,120,121\nQ-4,1,118,119\n",
    ],
)
def test_where_rows_have_their_own_batch_a_blank_joins_no_other(folder: Write, text: str) -> None:
    weighings = read_weights(folder({"oct.csv": text}) / "oct.csv")
    assert weighings.table["batch"].tolist() == ["Q-1", "Q-1", "Q-2", "Q-2", "Q-4", "Q-4"]
    assert weighings.not_used[["row", "value"]].values.tolist() == [[4, "120"], [4, "121"]]
    assert set(weighings.not_used["reason"]) == {"neither batch nor product is said"}


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


def test_a_title_that_is_a_batch_names_it(folder: Write) -> None:
    rows = table(folder, "Batch Q-1,,\nw1,w2\n118,119\n\nLot no. 7,,\nw1,w2\n120,121\n")
    assert rows["batch"].tolist() == ["Q-1", "Q-1", "7", "7"]


def test_a_row_of_units_under_the_headings(folder: Write) -> None:
    rows = table(folder, "batch,gross,tare\n,oz,(g)\nQ-1,4.7,14.2\n")
    assert rows[["batch", "unit", "tare_g"]].values.tolist() == [["Q-1", "oz", 14.2]]


@pytest.mark.parametrize("title", ["Weights in oz", "All weights in oz", "Weights (oz)"])
def test_a_title_that_says_the_unit(folder: Write, title: str) -> None:
    rows = table(folder, f"{title}\nbatch,weight\nQ-1,4.2\n")
    assert rows[["batch", "unit", "weight"]].values.tolist() == [["Q-1", "oz", 4.2]]


def test_a_batch_named_between_the_rows_begins_its_own_rows(folder: Write) -> None:
    text = "slot,weight\nBatch Q-1,\n1,118\n2,119\nBatch: Q-2,\n1,120\n"
    weighings = read_weights(folder({"oct.csv": text}) / "oct.csv")
    assert weighings.table["batch"].tolist() == ["Q-1", "Q-1", "Q-2"]
    assert weighings.table["row"].tolist() == [3, 4, 6]
    assert not len(weighings.not_used)
