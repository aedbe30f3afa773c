"""What is said once: header blocks, titles, the names of sheets and files."""

from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from qa_tools.readings import read_weights
from qa_tools.readings.blocks import Names, said_by_name

Write = Callable[[dict[str, str | bytes]], Path]


def table(folder: Write, text: str, name: str = "oct.csv") -> pd.DataFrame:
    return read_weights(folder({name: text}) / name).table


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


def test_how_it_was_weighed_said_once(folder: Write) -> None:
    weighings = read_weights(
        folder({"oct.csv": "Batch,Q-1\nWeighed,gross\nTare,14.2\nLoaf,3\n\nslot,weight\n1,74.2\n"})
        / "oct.csv"
    )
    row = weighings.table.iloc[0]
    assert (row["weighed"], row["loaf"], row["tare_g"], row["net_g"]) == ("gross", "3", 14.2, 60.0)


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


def test_a_title_that_is_a_batch_names_it(folder: Write) -> None:
    rows = table(folder, "Batch Q-1,,\nw1,w2\n118,119\n\nLot no. 7,,\nw1,w2\n120,121\n")
    assert rows["batch"].tolist() == ["Q-1", "Q-1", "7", "7"]


@pytest.mark.parametrize("title", ["Weights in oz", "All weights in oz", "Weights (oz)"])
def test_a_title_that_says_the_unit(folder: Write, title: str) -> None:
    rows = table(folder, f"{title}\nbatch,weight\nQ-1,4.2\n")
    assert rows[["batch", "unit", "weight"]].values.tolist() == [["Q-1", "oz", 4.2]]


def test_what_stands_over_the_headings_holds_for_the_batches_named_under_them(
    folder: Write,
) -> None:
    rows = table(folder, "Product,oat\nslot,weight\nBatch Q-1,\n1,118\nBatch Q-2,\n1,119\n")
    assert rows[["batch", "product"]].values.tolist() == [["Q-1", "oat"], ["Q-2", "oat"]]
