"""Dates outside the life of a batch, and dates that cannot be."""

from collections.abc import Callable

import pandas as pd

from qa_tools.readings import Weighings

Read = Callable[..., Weighings]
HEAD = "batch,stage,when,loaf,slot,weight,unit,id,fate,replaces\n"


def test_dates_outside_the_life_of_the_batch_are_pointed_out(read: Read) -> None:
    table = read(
        HEAD + "OH-1,packed,2026-08-31,,,120,g,,,\nOH-1,packed,2026-10-01,,,121,g,,,\n"
        "OH-1,packed,2029-10-01,,,122,g,,,\nOH-1,packed,2029-10-02,,,122,g,,,\n"
    ).table
    assert "before batch OH-1 was made" in table["remark"][0]
    assert table["remark"][1] == ""
    assert "after the shelf life" in table["remark"][2]


def test_packed_on_alone_begins_the_life_of_what_is_packed(read: Read) -> None:
    table = read(
        HEAD + "OH-1,packed,2026-08-31,,,120,g,,,\nOH-1,cut,2026-08-31,,,121,g,,,\n",
        batches="batch,product,packed_on\nOH-1,oat,2026-09-29\n",
    ).table
    assert table["remark"].tolist() == [
        "dated 31 August 2026, before batch OH-1 was packed (29 September 2026)",
        "",
    ]


def test_a_mistyped_year_is_taken_as_not_said(read: Read) -> None:
    table = read(
        HEAD + "OH-1,packed,2026-10-01,,,120,g,,,\nOH-1,packed,2062-10-02,,,121,g,,,\n"
    ).table
    assert table["when"].max() == pd.Timestamp("2026-10-01")
    assert table["when"].isna().tolist() == [False, True]
    assert table["remark"][1].startswith("dated 2 October 2062, more than a year after every other")


def test_a_late_weighing_within_the_shelf_life_is_believed(read: Read) -> None:
    table = read(HEAD + "OH-1,shelf,2028-09-01,,,120,g,,,\n").table
    assert table["when"].tolist() == [pd.Timestamp("2028-09-01")]
