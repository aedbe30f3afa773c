"""What is not used and why; what is in doubt; what is pointed out; what is judged."""

from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from qa_tools.readings import Weighings, read_works

Write = Callable[[dict[str, str | bytes]], Path]
Lists = dict[str, str | bytes]
HEAD = "batch,stage,when,loaf,slot,weight,unit,id,fate,replaces\n"


Read = Callable[..., Weighings]


def told(weighings: Weighings) -> list[list[object]]:
    return weighings.not_used[["row", "reason", "suggestion"]].values.tolist()


def test_readings_that_cannot_be(read: Read) -> None:
    weighings = read(
        HEAD + "OH-1,packed,,,,120,g,,,\n"
        "OH-1,packed,,,,,g,,,\n"
        "OH-1,packed,,,,about 120,g,,,\n"
        "OH-1,packed,,,,120,stone,,,\n"
        "OH-1,packed,,,,0,g,,,\n"
        "OH-1,packed,,,,118 ml,,,,\n"
        "OH-9,packed,,,,120,g,,,\n"
        ",packed,,,,120,g,,,\n"
        "OH-1,packed,,,,240,g,,,\n"
        "OH-1,packed,,,,240.1,g,,,\n"
    )
    assert weighings.table["net_g"].tolist() == [120, 240]
    assert told(weighings) == [
        [3, "no weight is written", ""],
        [4, '"about 120" is not a number', ""],
        [5, 'unit unknown: "stone"', "write g, kg, mg, oz or lb"],
        [6, "0 g is not above zero", ""],
        [
            7,
            '"118 ml" is a volume, not a weight',
            "weigh it, or give the weight that was on the scale in g, kg, mg, oz or lb",
        ],
        [8, 'batch unknown: "OH-9" is not in the list of batches', "add it to batches.csv"],
        [
            9,
            "neither batch nor product is said",
            "write the batch in its column, or once over the table",
        ],
        [11, "240.1 g is more than double the 120 g declared", ""],
    ]


def test_a_date_that_can_be_read_two_ways_is_asked_and_the_reading_used(folder: Write) -> None:
    files = {"weights/oct.csv": "batch,when,weight\nQ-1,02/09/2026,120\n"}
    works = read_works(folder(files))
    assert works.weighings.table["when"].isna().all()
    assert "date not read: " in works.weighings.table["remark"][0]
    assert len(works.questions) == 1
    answered = read_works(
        folder(files | {"settings.csv": "name,value\ndate order of oct.csv,day first\n"})
    )
    assert answered.weighings.table["when"].tolist() == [pd.Timestamp("2026-09-02")]
    assert not len(answered.questions)


def test_the_batches_settle_the_order_of_dates(read: Read) -> None:
    weighings = read("batch,when,weight\nOH-1,02/09/2026,130\nOH-2,09/09/2026,131\n")
    assert weighings.table["when"].dt.month.tolist() == [9, 9]
    assert not len(weighings.questions)


def test_a_number_that_can_be_read_two_ways_is_asked_and_never_guessed(folder: Write) -> None:
    files = {"weights/oct.csv": "batch;weight\nQ-1;1.234\nQ-1;980\n"}
    works = read_works(folder(files))
    assert works.weighings.not_used["reason"].tolist() == ['"1.234" can be read two ways']
    assert len(works.questions) == 1
    answered = read_works(folder(files | {"settings.csv": "name,value\ndecimal mark,comma\n"}))
    assert answered.weighings.table["net_g"].tolist() == [1234, 980]


def test_the_step_is_the_finest_printed_in_the_sheet(read: Read) -> None:
    table = read("batch,weight,unit\nOH-1,120,g\nOH-1,121.5,g\nOH-1,4.25,oz\n").table
    assert table["step_g"].tolist() == pytest.approx([0.1, 0.1, 0.28349523125])
