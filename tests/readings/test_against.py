"""Readings against their label and their batch."""

from collections.abc import Callable
from pathlib import Path

import pytest

from qa_tools.readings import Weighings, read_works

Write = Callable[[dict[str, str | bytes]], Path]
Read = Callable[..., Weighings]
HEAD = "batch,stage,when,loaf,slot,weight,unit,id,fate,replaces\n"


def test_a_light_package_is_used_and_asked_about(read: Read) -> None:
    weighings = read(HEAD + "OH-1,packed,,,,59.9,g,,,\nOH-1,packed,,,,60,g,,,\n")
    assert weighings.table["net_g"].tolist() == [59.9, 60]
    assert weighings.table["doubt"].tolist() == [
        "59.9 g in row 2 of oct.csv is less than half of the 120 g declared: a slip or real? "
        'Answer in settings.csv: name "row 2 of oct.csv", value "slip" or "real".',
        "",
    ]


def test_far_from_its_own_batch_is_used_and_pointed_out(read: Read) -> None:
    weights = [120.1, 120.4, 119.8, 120.2, 119.9, 120.0, 135.0]
    table = read(HEAD + "".join(f"OH-1,packed,,,,{weight},g,,,\n" for weight in weights)).table
    assert table["remark"].tolist()[:-1] == [""] * 6
    assert table["remark"].iloc[-1] == (
        "far from the others of its batch: 135.0 g against a middle of 120.1 g"
    )


def test_a_coarse_scale_makes_no_weight_far(read: Read) -> None:
    """Most weights equal: the spread is nothing, but four steps are not far."""
    table = read(HEAD + "OH-1,packed,,,,120,g,,,\n" * 9 + "OH-1,packed,,,,124,g,,,\n").table
    assert (table["remark"] == "").all()


LABELS = "product,declared,unit,from,to\noat,60,g,,2026-09-30\noat,200,g,2026-10-01,\n"


def test_the_label_of_the_packing_day_judges(read: Read) -> None:
    """OH-1 was packed on 29 September, OH-2 on 6 October; when they were weighed is no matter."""
    weighings = read(
        HEAD + "OH-1,packed,2026-10-02,,,121,g,,,\nOH-2,packed,2026-09-15,,,121,g,,,\n",
        labels=LABELS,
    )
    assert weighings.not_used[["row", "reason"]].values.tolist() == [
        [2, "121 g is more than double the 60 g declared"]
    ]
    assert weighings.table["doubt"].tolist() == [""]


@pytest.mark.parametrize(("when", "used"), [("2026-09-30", 0), ("2026-10-01", 1)])
def test_without_a_packing_day_the_weighing_day_says_the_label(
    read: Read, when: str, used: int
) -> None:
    weighings = read(
        HEAD + f"OH-1,packed,{when},,,121,g,,,\nOH-1,packed,{when},,,100,g,,,\n",
        labels=LABELS,
        batches="batch,product\nOH-1,oat\n",
    )
    assert len(weighings.table) == used + 1
    assert weighings.table["packed_on"].isna().all()


OUNCES = "batch,weight\n" + "".join(f"OH-1,4.{n}\n" for n in range(10, 40))


def test_a_file_in_ounces_is_one_question_and_one_answer_settles_it(read: Read) -> None:
    doubts = read(OUNCES).table["doubt"]
    assert doubts.unique().tolist() == [
        "All 30 weights in column weight of oct.csv are less than half of the 120 g declared; "
        "they look like ounces in a gram column. Slips or real? If so, in settings.csv: name "
        '"unit of oct.csv", value "oz". Or row by row in settings.csv: name "row 2 of oct.csv" or '
        '"row 3 of oct.csv" or ..., value "slip" or "real".'
    ]
    settled = read(OUNCES, settings="name,value\nunit of oct.csv,oz\n")
    assert (settled.table["doubt"] == "").all() and len(settled.table) == 30
    assert settled.table["net_g"].between(115, 125).all()
    assert not len(settled.questions)


def test_a_unit_that_is_written_is_corrected_where_it_is_written(read: Read) -> None:
    text = OUNCES.replace("weight\n", "weight (g)\n")
    (doubt,) = read(text).table["doubt"].unique()
    assert "If so, correct the unit written in weights/oct.csv." in doubt


def test_a_file_in_grams_read_as_ounces_is_one_question(read: Read) -> None:
    text = "batch,weight\n" + "OH-1,118.4\nOH-1,121\nOH-1,119.5\nOH-1,120.2\n"
    more = {"settings": "name,value\nunit,oz\n", "nov": "batch,weight\nOH-1,4.2\n"}
    weighings = read(text, **more)
    assert weighings.not_used["reason"].nunique() == 4
    assert weighings.questions.values.tolist() == [
        [
            "weights/oct.csv",
            "All 4 weights in column weight of oct.csv are more than double the 120 g declared; "
            "they look like grams in an oz column.",
            'If so, in settings.csv: name "unit of oct.csv", value "g"',
        ]
    ]
    more["settings"] += "unit of oct.csv,g\n"
    settled = read(text, **more).table[lambda table: table["file"] == "weights/oct.csv"]
    assert settled["net_g"].tolist() == [118.4, 121, 119.5, 120.2]


def test_light_packages_of_a_wide_sheet_are_answered_by_their_column(read: Read) -> None:
    text = "batch,w1,w2,w3\nOH-1,120,48,121\nOH-1,119,121,50\n"
    doubts = read(text).table["doubt"]
    assert '"row 2 w2 of oct.csv"' in doubts[1] and '"row 3 w3 of oct.csv"' in doubts[5]
    settled = read(
        text,
        settings="name,value,who,when\nrow 2 w2 of oct.csv,slip,LT,2026-10-03\n"
        "row 3 w3 of oct.csv,real,LT,2026-10-03\n",
    )
    assert settled.table["net_g"].tolist() == [120, 121, 119, 121, 50]
    assert (settled.table["doubt"] == "").all() and not len(settled.questions)


def test_a_gross_weight_is_told_with_its_net(read: Read) -> None:
    weighings = read("batch,w1,w2,weighed\nCB-1,40.5,74.2,gross\nCB-1,160,74.4,gross\n")
    assert weighings.table["doubt"][0].startswith(
        "40.5 g gross (26.3 g net) in row 2 w1 of oct.csv is less than half of the 60 g declared"
    )
    assert weighings.not_used["reason"].tolist() == [
        "160 g gross (145.8 g net) is more than double the 60 g declared"
    ]


def test_without_labels_nothing_is_light(folder: Write) -> None:
    table = read_works(folder({"weights/a.csv": "batch,weight\nQ-1,1\nQ-1,120\n"})).weighings.table
    assert (table["doubt"] == "").all()
