"""What stands beside a weighing: written once, ditto, or in its own cell."""

from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from qa_tools.readings import read_weights

Write = Callable[[dict[str, str | bytes]], Path]


def table(folder: Write, text: str, name: str = "oct.csv") -> pd.DataFrame:
    return read_weights(folder({name: text}) / name).table


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


def test_time_in_its_own_column_and_missing_on_some_days(folder: Write) -> None:
    rows = table(folder, "batch,date,time,weight\nQ-1,2026-10-02,8:15,118\nQ-1,2026-10-03,,119\n")
    assert rows["when"].tolist() == [
        pd.Timestamp("2026-10-02 08:15"),
        pd.Timestamp("2026-10-03"),
    ]
