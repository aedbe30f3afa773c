"""Marks are settled by the file, the batches, the other files, the settings; else asked."""

from qa_tools.readings.answers import Answers
from qa_tools.readings.marks import marks_shown, settle_date_orders, settle_decimal_marks

NOTHING = Answers()


def answers(**given: str) -> Answers:
    return Answers.of((name.replace("_", " "), value, "LT", "") for name, value in given.items())


def test_a_file_settles_its_own_decimal_mark() -> None:
    marks, asked = settle_decimal_marks({"a.csv": ["118,4", "1.234"], "b.csv": ["118.4"]}, NOTHING)
    assert marks == {"a.csv": ",", "b.csv": "."}
    assert not asked


def test_another_file_settles_what_a_file_leaves_open() -> None:
    marks, asked = settle_decimal_marks({"a.csv": ["1.234"], "b.csv": ["118,4"]}, NOTHING)
    assert marks["a.csv"] == ","
    assert not asked


def test_files_that_disagree_settle_nothing_and_it_is_asked_once() -> None:
    numbers = {"a.csv": ["1.234", "1.235"], "b.csv": ["118,4"], "c.csv": ["118.4"]}
    marks, asked = settle_decimal_marks(numbers, NOTHING)
    assert marks["a.csv"] is None
    assert [file for file, _, _ in asked] == ["a.csv"]
    assert '"1.234"' in asked[0][1] and "(and 1 more)" in asked[0][1]
    assert 'name "decimal mark of a.csv"' in asked[0][2]
    settled, asked = settle_decimal_marks(
        numbers, Answers.of([("decimal mark of a.csv", "comma", "LT", "")])
    )
    assert settled["a.csv"] == ","
    assert not asked


def test_zero_before_the_mark_settles_it() -> None:
    assert marks_shown(["0,118"]) == ({","}, [])
    assert marks_shown(["118", "x"]) == (set(), [])


def test_a_file_settles_its_own_date_order() -> None:
    orders, asked = settle_date_orders(
        {"a.csv": ["02/10/2026", "31/10/2026"], "b.csv": ["2026-10-02"]}, NOTHING
    )
    assert orders["a.csv"] == "day first"
    assert not asked


def test_batches_settle_a_date_order_and_it_holds_for_other_files() -> None:
    orders, asked = settle_date_orders(
        {"a.csv": ["02/09/2026"], "b.csv": ["03/09/2026"]},
        NOTHING,
        lambda file, order: file == "a.csv" and order == "day first",
    )
    assert orders == {"a.csv": "day first", "b.csv": "day first"}
    assert not asked


def test_an_open_date_order_is_asked_and_answered_once() -> None:
    orders, asked = settle_date_orders({"w/a.csv": ["02/09/2026"]}, NOTHING)
    assert orders["w/a.csv"] == ""
    assert "2 September 2026" in asked[0][1] and "9 February 2026" in asked[0][1]
    for given in ({"date_order": "day first"}, {"date_order_of_a.csv": "Day-first"}):
        orders, asked = settle_date_orders({"w/a.csv": ["02/09/2026"]}, answers(**given))
        assert orders["w/a.csv"] == "day first"
        assert not asked


def test_a_file_that_shows_its_order_does_not_heed_the_general_answer() -> None:
    orders, _ = settle_date_orders(
        {"a.csv": ["10/31/2026", "02/09/2026"]}, answers(date_order="day first")
    )
    assert orders["a.csv"] == "month first"
