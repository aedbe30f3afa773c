"""Dates outside the life of a batch, and dates that cannot be."""

from collections.abc import Callable

import pandas as pd
import pytest

from qa_tools.readings import Weighings

Read = Callable[..., Weighings]
HEAD = "batch,stage,when,loaf,slot,weight,unit,id,fate,replaces\n"


def test_dates_outside_the_life_of_the_batch_are_pointed_out(read: Read) -> None:
    table = read(
        HEAD + "OH-1,packed,2026-08-31,,,120,g,,,\nOH-1,packed,2026-10-01,,,121,g,,,\n"
        "OH-1,packed,2029-10-01,,,122,g,,,\nOH-1,packed,2029-10-02,,,122,g,,,\n"
    ).table
    assert table["remark"][0] == (
        "weighed before its batch was made: 31 August 2026, OH-1 made on 1 September 2026"
    )
    assert table["remark"][1] == ""
    assert table["remark"][2].startswith("weighed after its shelf life: 1 October 2029")


@pytest.mark.parametrize("made", ["2026-07-01", ""])
@pytest.mark.parametrize(
    ("stage", "day", "early"),
    [("packed", 28, True), ("", 28, True), ("shelf", 28, True), ("packed", 29, False),
     ("cut", 28, False), ("cured", 28, False)],
)  # fmt: skip
def test_what_is_weighed_before_it_was_packed_is_pointed_out(
    read: Read, made: str, stage: str, day: int, early: bool
) -> None:
    table = read(
        HEAD + f"OH-1,{stage},2026-09-{day},,,120,g,,,\n",
        batches=f"batch,product,made_on,packed_on\nOH-1,oat,{made},2026-09-29\n",
    ).table
    told = "weighed before packing: 28 September 2026, OH-1 packed on 29 September 2026"
    assert table["remark"].tolist() == [told if early else ""]


def test_a_mistyped_year_is_taken_as_not_said(read: Read) -> None:
    table = read(
        HEAD + "OH-1,packed,2026-10-01,,,120,g,,,\nOH-1,packed,2062-10-02,,,121,g,,,\n"
    ).table
    assert table["when"].max() == pd.Timestamp("2026-10-01")
    assert table["when"].isna().tolist() == [False, True]
    assert table["remark"][1].startswith("date not believed: 2 October 2062 is more than a year")


def test_a_late_weighing_within_the_shelf_life_is_believed(read: Read) -> None:
    table = read(HEAD + "OH-1,shelf,2028-09-01,,,120,g,,,\n").table
    assert table["when"].tolist() == [pd.Timestamp("2028-09-01")]
