"""Which rows are headings, and which only look like them."""

from collections.abc import Callable
from pathlib import Path

import pandas as pd

from qa_tools.readings import read_weights

Write = Callable[[dict[str, str | bytes]], Path]


def table(folder: Write, text: str, name: str = "oct.csv") -> pd.DataFrame:
    return read_weights(folder({name: text}) / name).table


def test_a_line_of_a_header_block_is_no_heading_row(folder: Write) -> None:
    """The name of scale S1 looks like the first slot."""
    rows = table(folder, "Batch,Q-1\nScale,S1\nCutter,W1\nloaf,slot1,slot2\n1,130,131\n")
    assert rows["net_g"].tolist() == [130, 131]
    assert set(rows["scale"]) == {"S1"}


def test_one_known_heading_is_enough_over_numbers(folder: Write) -> None:
    rows = table(folder, "Batch,Q-1\nWeighed,bare\nUnit,oz\n\nNo.,Weight\n1,4.2\n2,4.3\n")
    assert rows["weight"].tolist() == [4.2, 4.3]
    assert set(rows["weighed"]) == {"bare"}
    assert set(rows["unit"]) == {"oz"}
    assert table(folder, "#;g\n1;131,2\n2;131,4\n", "lot 13.csv")["net_g"].tolist() == [
        131.2,
        131.4,
    ]


def test_a_row_of_units_under_the_headings(folder: Write) -> None:
    rows = table(folder, "batch,gross,tare\n,oz,(g)\nQ-1,4.7,14.2\n")
    assert rows[["batch", "unit", "tare_g"]].values.tolist() == [["Q-1", "oz", 14.2]]


def test_a_batch_named_between_the_rows_begins_its_own_rows(folder: Write) -> None:
    text = "slot,weight\nBatch Q-1,\n1,118\n2,119\nBatch: Q-2  By: MH,\n1,120\nBatch,Q-3\n1,121\n"
    weighings = read_weights(folder({"oct.csv": text}) / "oct.csv")
    assert weighings.table["batch"].tolist() == ["Q-1", "Q-1", "Q-2", "Q-3"]
    assert weighings.table["row"].tolist() == [3, 4, 6, 8]
    assert not len(weighings.not_used)


def test_a_repeated_heading_loses_no_reading_above_it(tmp_path: Path) -> None:
    path = tmp_path / "two.csv"
    path.write_text("weight,note\n118.4,\n119.0,\n117.2,\nweight,note\n120.1,\n", encoding="utf-8")
    read = read_weights(path)
    assert len(read.table) + len(read.not_used) == 4


def test_a_batch_without_its_weight_is_no_title(folder: Write) -> None:
    text = "batch,weight\nLot 1,118\nLot 2,\nLot 3,119\n"
    weighings = read_weights(folder({"oct.csv": text}) / "oct.csv")
    assert weighings.table["batch"].tolist() == ["Lot 1", "Lot 3"]
    assert weighings.not_used["reason"].tolist() == ["no weight is written"]
