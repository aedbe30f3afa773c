"""The one slip that plainly explains a reading; what is answered slip is not used."""

from collections.abc import Callable

import pytest

from qa_tools.readings import Weighings

Read = Callable[..., Weighings]
HEAD = "batch,stage,when,loaf,slot,weight,unit,id,fate,replaces\n"


def told(weighings: Weighings) -> list[list[object]]:
    return weighings.not_used[["row", "reason", "suggestion"]].values.tolist()


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


def test_a_slip_that_nobody_doubted_is_not_used_either(read: Read) -> None:
    weighings = read(
        HEAD + "OH-1,packed,,,,119,g,,,\nOH-1,packed,,,,120,g,,,\n",
        settings="name,value,who,when\nrow 2 of oct.csv,slip,LT,2026-10-03\n",
    )
    assert told(weighings) == [[2, "answered slip by LT on 2026-10-03", ""]]
    assert not len(weighings.questions)
