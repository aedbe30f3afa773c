"""The invented works: what its README says was planted is what is found."""

from pathlib import Path

import pytest

from qa_tools.readings import Works, read_works

DEMO = Path(__file__).parents[2] / "data_demo"


@pytest.fixture(scope="module")
def works() -> Works:
    return read_works(DEMO)


def test_every_line_of_the_sheets_is_accounted_for(works: Works) -> None:
    sources = works.weighings.sources
    assert (sources["rows"] == sources["used"] + sources["not_used"]).all()
    assert set(sources["file"]) == {
        path.relative_to(DEMO).as_posix() for path in (DEMO / "weights").iterdir()
    }
    assert len(works.unread) == 0 and len(works.questions) == 0


def test_the_day_of_slips(works: Works) -> None:
    slips = works.weighings.not_used
    assert set(slips["file"]) == {"weights/rosemary-RS-0917.csv"}
    assert slips["row"].tolist() == [4, 7, 12, 16, 30, *range(38, 46)]
    hints = slips.set_index("row")["suggestion"]
    assert "swapped" in hints[4] and "swapped" in hints[30]
    assert "ounces in a gram column" in hints[7]
    assert hints[12] == "looks like a missing decimal point: 2515 -> 251.5"
    assert slips["reason"].str.startswith("pasted twice").sum() == 8


def test_one_bar_is_in_doubt(works: Works) -> None:
    table = works.weighings.table
    doubtful = table[table["doubt"] != ""]
    assert doubtful[["file", "row", "net_g"]].values.tolist() == [
        ["weights/packed-OH-0811.csv", 15, 48.0]
    ]


def test_topped_up_jars_and_second_bars_are_not_judged(works: Works) -> None:
    table = works.weighings.table
    replaced = table["id"].isin(table.loc[table["replaces"] != "", "replaces"])
    assert replaced.sum() == 5
    assert not table.loc[replaced, "judged"].any()
    assert not table.loc[table["fate"] == "pulled", "judged"].any()


def test_dates_read_day_first_and_decimal_commas(works: Works) -> None:
    table = works.weighings.table
    assert table["when"].notna().all()
    balm = table[table["file"] == "weights/balm-2026-09.csv"]
    assert balm["when"].dt.month.eq(9).all()
    assert balm["step_g"].round(6).eq(0.1).all()
