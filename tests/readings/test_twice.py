"""A reading that stands twice: a repeat is not used, a contradiction is asked about."""

from collections.abc import Callable

import numpy as np
import pytest

from qa_tools.readings import Weighings

Read = Callable[..., Weighings]
HEAD = "batch,stage,when,loaf,slot,weight,unit,id,fate,replaces\n"


def told(weighings: Weighings) -> list[list[object]]:
    return weighings.not_used[["row", "reason", "suggestion"]].values.tolist()


def test_equal_weights_are_normal_and_equal_slots_are_not(read: Read) -> None:
    weighings = read(
        HEAD
        + "OH-1,packed,,,,120,g,,,\n" * 4
        + "OH-1,packed,,1,1,121,g,,,\nOH-1,cut,,1,1,121,g,,,\nOH-1,packed,2026-10-09,1,1,121,g,,,\n"
    )
    assert len(weighings.table) == 6
    assert told(weighings) == [
        [8, "slot 1 of loaf 1 with the same weight already stands in row 6 of oct.csv", ""]
    ]


def test_a_slot_with_two_weights_is_in_doubt_until_one_replaces_the_other(read: Read) -> None:
    text = HEAD + "OH-1,packed,,4,3,118.2,g,a,,\nOH-1,packed,,4,3,121.0,g,b,,{}\n"
    doubts = read(text.format("")).table["doubt"]
    assert doubts.nunique() == 1
    assert doubts[0] == (
        "slot 3 of loaf 4 of batch OH-1 was weighed twice, 118.2 g (row 2 of oct.csv) and 121.0 g "
        "(row 3 of oct.csv), and neither replaces the other. Name the row that no longer holds in "
        'the column replaces of the other; or in settings.csv: name "row 2 of oct.csv" or '
        '"row 3 of oct.csv", value "slip"; or both with value "real", if they are two packages.'
    )
    for replaced in ("a", "row 2", "oct.csv row 2", "row 2 of oct.csv", "2"):
        table = read(text.format(replaced)).table
        assert (table["doubt"] == "").all()
        assert table["judged"].tolist() == [False, True]


def test_slip_answered_for_one_of_two_weights(read: Read) -> None:
    weighings = read(
        HEAD + "OH-1,packed,,4,3,118.2,g,,,\nOH-1,packed,,4,3,121.0,g,,,\n",
        settings="name,value,who,when\nrow 2 of oct.csv,slip,LT,2026-10-03\n",
    )
    assert weighings.table["net_g"].tolist() == [121.0]
    assert (weighings.table["doubt"] == "").all()


def test_the_shelf_weighs_the_same_bar_again(read: Read) -> None:
    weighings = read(
        HEAD + "OH-1,shelf,2026-11-01,1,1,121,g,,,\nOH-1,shelf,2026-12-01,1,1,121,g,,,\n"
        "OH-1,shelf,2027-01-01,1,1,120,g,,,\n"
    )
    assert len(weighings.table) == 3
    assert (weighings.table["doubt"] == "").all()


def test_ids(read: Read) -> None:
    weighings = read(
        HEAD + "OH-1,packed,,,,120,g,A-1,,\nOH-1,packed,,,,120,g,A-1,,\n"
        "OH-1,packed,,,,121,g,A-2,,\nOH-1,packed,,,,119,g,A-2,,\nOH-2,packed,,,,120,g,A-1,,\n"
    )
    assert told(weighings) == [
        [3, 'id "A-1" with the same weight already stands in row 2 of oct.csv', ""]
    ]
    assert weighings.table["doubt"].ne("").tolist() == [False, True, True, False]


def test_row_numbers_are_no_ids_of_the_works(read: Read) -> None:
    """Two sheets that count their rows from 1 on a 1 g scale: nothing is a repeat."""
    rows = "".join(f"{n},OH-1,packed,{weight}\n" for n, weight in enumerate([120, 121, 119, 120], 1))  # fmt: skip # noqa: E501
    weighings = read(
        "id,batch,stage,weight\n" + rows,
        weights__nov="id,batch,stage,weight\n" + rows + "5,OH-1,packed,118\n",
    )
    assert len(weighings.table) == 9


def test_a_block_pasted_twice_and_a_file_copied(read: Read) -> None:
    rng = np.random.default_rng(5)
    rows = [f"OH-1,packed,,,,{weight:.1f},g,,,\n" for weight in rng.normal(121, 2, 60)]
    weighings = read(HEAD + "".join([*rows, *rows[10:20]]))
    assert len(weighings.table) == 60
    assert [row[0] for row in told(weighings)] == list(range(62, 72))
    assert told(weighings)[0][1] == (
        "pasted twice: in a block of 10 rows, this is row 12 of oct.csv again"
    )
    copied = read(HEAD + "".join(rows), **{"weights__oct copy": HEAD + "".join(rows)})
    assert len(copied.table) == 60
    assert set(copied.not_used["file"]) == {"weights/oct copy.csv"}
    assert "byte for byte" in copied.not_used["reason"][0]


def test_the_same_block_saved_with_other_separators(read: Read) -> None:
    rng = np.random.default_rng(5)
    rows = [f"OH-1,packed,{weight:.1f}\n" for weight in rng.normal(121, 2, 30)]
    text = "batch,stage,weight\n" + "".join(rows)
    weighings = read(text, weights__sep=text.replace(",", ";"))
    assert len(weighings.table) == 30


def test_three_weights_of_a_slot_and_one_slip(read: Read) -> None:
    """The first is a slip: the other two still contradict each other."""
    weighings = read(
        HEAD
        + "OH-1,packed,,4,3,108.2,g,,,\nOH-1,packed,,4,3,121.0,g,,,\nOH-1,packed,,4,3,122.0,g,,,\n",
        settings="name,value,who,when\nrow 2 of oct.csv,slip,LT,2026-10-03\n",
    )
    assert weighings.table["net_g"].tolist() == [121.0, 122.0]
    assert (weighings.table["doubt"] != "").all()


@pytest.mark.parametrize("kept", [2, 3])
def test_one_of_two_is_a_slip_and_the_other_stands(read: Read, kept: int) -> None:
    table = read(
        HEAD + "OH-1,packed,,4,3,118.2,g,,,\nOH-1,packed,,4,3,121.0,g,,,\n",
        settings=f"name,value\nrow {5 - kept} of oct.csv,slip\n",
    ).table
    assert table["row"].tolist() == [kept]
    assert table["judged"].tolist() == [True] and (table["doubt"] == "").all()


def test_both_real_are_two_packages(read: Read) -> None:
    table = read(
        HEAD + "OH-1,packed,,4,3,118.2,g,,,\nOH-1,packed,,4,3,121.0,g,,,\n",
        settings="name,value,who\nrow 2 of oct.csv,real,LT\nrow 3 of oct.csv,real,LT\n",
    ).table
    assert (table["doubt"] == "").all() and table["judged"].all()
    assert table["remark"].unique().tolist() == [
        "answered real by LT: slot 3 of loaf 4 stands in row 2 of oct.csv and in row 3 of oct.csv, "
        "each a package of its own"
    ]


def test_weights_that_go_round_are_all_used(read: Read) -> None:
    rows = [f"OH-1,packed,,,,{weight},g,,,\n" for weight in (118, 119, 120)] * 5
    assert len(read(HEAD + "".join(rows)).table) == 15
