"""What is not used and why; what is in doubt; what is pointed out; what is judged."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from qa_tools.readings import Weighings, read_works

Write = Callable[[dict[str, str | bytes]], Path]
Lists = dict[str, str | bytes]
HEAD = "batch,stage,when,loaf,slot,weight,unit,id,fate,replaces\n"


@pytest.fixture
def read(folder: Write, lists: Lists) -> Callable[..., Weighings]:
    def reading(text: str, **others: str) -> Weighings:
        more = {name.replace("__", "/") + ".csv": content for name, content in others.items()}
        return read_works(folder({**lists, "weights/oct.csv": text, **more})).weighings

    return reading


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


@pytest.mark.parametrize(
    ("weight", "unit", "suggestion"),
    [
        ("1184", "g", "looks like a missing decimal point: 1184 -> 118.4"),
        ("118.4", "oz", "looks like grams in an oz column"),
        ("1184.0", "g", "looks like a misplaced decimal point: 1184 -> 118.4"),
        ("121", "kg", "looks like grams in a kg column"),
        ("300", "g", ""),
    ],
)
def test_suggestions_where_plain(read: Read, weight: str, unit: str, suggestion: str) -> None:
    weighings = read(HEAD + f"OH-1,packed,,,,{weight},{unit},,,\nOH-1,packed,,,,120,g,,,\n")
    assert [row[2] for row in told(weighings)] == [suggestion]


def test_net_and_gross_swapped(read: Read) -> None:
    weighings = read(
        "batch,weight,weighed\nRS-1,511.5,tared on the scale\nRS-1,250.5,gross\nRS-1,251,bare\n"
    )
    assert [row[2] for row in told(weighings)] == [
        "gross and net may be swapped: less 261.5 g tare it is 250 g",
        "gross and net may be swapped",
    ]


def test_batches_are_known_whatever_the_case_and_gaps(read: Read) -> None:
    assert read("batch,weight\noh 1,120\n").table["batch"].tolist() == ["OH-1"]


def test_a_product_alone_is_enough(read: Read) -> None:
    table = read("product,weight\nOat bar,120\n").table
    assert table[["product", "batch"]].values.tolist() == [["oat", ""]]


def test_without_a_list_of_batches_names_stand(folder: Write) -> None:
    table = read_works(folder({"weights/a.csv": "lot,weight\nZ-9,120\n"})).weighings.table
    assert table["batch"].tolist() == ["Z-9"]


def test_a_light_package_is_used_and_asked_about(read: Read) -> None:
    weighings = read(HEAD + "OH-1,packed,,,,59.9,g,,,\nOH-1,packed,,,,60,g,,,\n")
    assert weighings.table["net_g"].tolist() == [59.9, 60]
    assert weighings.table["doubt"].tolist() == [
        "59.9 g in row 2 of oct.csv is less than half of the 120 g declared: a slip or real?",
        "",
    ]


@pytest.mark.parametrize(("answer", "used"), [("slip", 1), ("real", 2)])
def test_an_answer_settles_it(read: Read, answer: str, used: int) -> None:
    weighings = read(
        HEAD + "OH-1,packed,,,,48,g,,,\nOH-1,packed,,,,120,g,,,\n",
        settings=f"name,value,who,when\nrow 2 of oct.csv,{answer},LT,2026-10-03\n",
    )
    assert len(weighings.table) == used
    assert (weighings.table["doubt"] == "").all()
    if answer == "slip":
        assert told(weighings) == [[2, "answered slip by LT on 2026-10-03", ""]]
    else:
        assert "answered real by LT on 2026-10-03" in weighings.table["remark"][0]


def test_the_label_of_the_day_decides(read: Read) -> None:
    labels = "product,declared,unit,from,to\noat,60,g,,2026-09-30\noat,200,g,2026-10-01,\n"
    text = HEAD + "OH-1,packed,2026-09-30,,,121,g,,,\nOH-1,packed,2026-10-01,,,121,g,,,\n"
    weighings = read(text, labels=labels)
    assert told(weighings)[0][:2] == [2, "121 g is more than double the 60 g declared"]
    assert weighings.table["doubt"].tolist() == [""]


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
        "(row 3 of oct.csv), and neither replaces the other"
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


def test_what_is_sold_is_judged(read: Read) -> None:
    fates = ["kept", "", "topped up", "pulled", "Rework", "retained", "given to Anna"]
    table = read(HEAD + "".join(f"OH-1,packed,,,,12{n},g,,{fate},\n"
                                for n, fate in enumerate(fates))).table  # fmt: skip
    assert table["judged"].tolist() == [True, True, True, False, False, False, True]
    assert "given to Anna" in table["remark"].iloc[-1]


def test_a_topped_up_jar_is_judged_by_its_last_weighing(read: Read) -> None:
    table = read(
        HEAD + "RS-1,filled,,,,243,g,j1,topped up,\nRS-1,filled,,,,249,g,j2,topped up,j1\n"
        "RS-1,filled,,,,251,g,j3,,j2\nRS-1,filled,,,,252,g,j4,,j9\n"
    ).table
    assert table["judged"].tolist() == [False, False, True, True]
    assert 'replaces "j9", which is not found' in table["remark"].iloc[3]


def test_a_reading_that_is_not_used_replaces_nothing(read: Read) -> None:
    table = read(HEAD + "RS-1,filled,,,,243,g,j1,,\nRS-1,filled,,,,2510,g,j2,,j1\n").table
    assert table["judged"].tolist() == [True]


def test_dates_outside_the_life_of_the_batch_are_pointed_out(read: Read) -> None:
    table = read(
        HEAD + "OH-1,packed,2026-08-31,,,120,g,,,\nOH-1,packed,2026-10-01,,,121,g,,,\n"
        "OH-1,packed,2029-10-01,,,122,g,,,\n"
    ).table
    assert "before batch OH-1 was made" in table["remark"][0]
    assert table["remark"][1] == ""
    assert "after the shelf life" in table["remark"][2]


def test_far_from_its_own_batch_is_used_and_pointed_out(read: Read) -> None:
    weights = [120.1, 120.4, 119.8, 120.2, 119.9, 120.0, 135.0]
    table = read(HEAD + "".join(f"OH-1,packed,,,,{weight},g,,,\n" for weight in weights)).table
    assert table["remark"].tolist()[:-1] == [""] * 6
    assert table["remark"].iloc[-1] == (
        "135.0 g is far from the others of its batch (middle 120.1 g)"
    )


def test_a_coarse_scale_makes_no_weight_far(read: Read) -> None:
    """Most weights equal: the spread is nothing, but four steps are not far."""
    table = read(HEAD + "OH-1,packed,,,,120,g,,,\n" * 9 + "OH-1,packed,,,,124,g,,,\n").table
    assert (table["remark"] == "").all()


def test_stage_where_none_is_said(read: Read) -> None:
    table = read(
        "batch,when,weight\nRS-1,,250\nCB-1,,60\nOH-1,2026-09-02,130\nOH-1,2026-09-30,121\nOH-1,,122\n"
    ).table
    assert table["stage"].tolist() == ["filled", "filled", "cut", "", ""]


def test_a_date_that_can_be_read_two_ways_is_asked_and_the_reading_used(folder: Write) -> None:
    files = {"weights/oct.csv": "batch,when,weight\nQ-1,02/09/2026,120\n"}
    works = read_works(folder(files))
    assert works.weighings.table["when"].isna().all()
    assert "could not be read" in works.weighings.table["remark"][0]
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


def test_three_weights_of_a_slot_and_one_slip(read: Read) -> None:
    """The first is a slip: the other two still contradict each other."""
    weighings = read(
        HEAD
        + "OH-1,packed,,4,3,108.2,g,,,\nOH-1,packed,,4,3,121.0,g,,,\nOH-1,packed,,4,3,122.0,g,,,\n",
        settings="name,value,who,when\nrow 2 of oct.csv,slip,LT,2026-10-03\n",
    )
    assert weighings.table["net_g"].tolist() == [121.0, 122.0]
    assert (weighings.table["doubt"] != "").all()


def test_what_is_weighed_again_is_not_asked_about(read: Read) -> None:
    table = read(
        HEAD + "OH-1,packed,,1,1,48,g,a,,\nOH-1,packed,,1,1,121,g,b,,a\nOH-1,packed,,1,2,48,g,c,,\n"
        "OH-1,packed,,1,2,122,g,c,,c\n"
    ).table
    assert (table["doubt"] == "").all()
    assert table["judged"].tolist() == [False, True, False, True]
