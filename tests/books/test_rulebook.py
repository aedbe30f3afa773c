"""Rule books as data: names, files of one's own, which declaration is tested, grades."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest

import qa_tools as qa

NAMES = ["ca-crc-417", "eu-76-211", "uk-2006-659", "us-hb133"]

OWN_BOOK = """
format = 1
name = "own-book"
title = "A book of our own"
edition = "first"
jurisdiction = "nowhere"
judged_at = "packing"
source = "made up for the tests"

[words]
short = "slack"

[[deficiency]]
unit = "g"
clause = "section 1"
grade = "computed"
bands = [{ up_to = 100, percent = 5, round_up = 0.5 }, { up_to = 200, amount = 6 }]

[sampling]
clause = "section 2"
grade = "computed"
confidence = 0.95
plans = [{ lot = [3, 40], sample = "exactly", count = [{ n = 3, accept = 0, reject = 1 }], mean = { n = 3, factor = 0.5 } }]
"""  # noqa: E501


def written(folder: Path, text: str) -> Path:
    path = folder / "own.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_table_of_books() -> None:
    table = qa.rulebooks()
    assert list(table.index) == NAMES
    assert table.index.name == "name"
    assert list(table.columns) == ["title", "edition", "jurisdiction", "judged_at", "source"]
    assert table["judged_at"].to_dict() == {
        "ca-crc-417": "sale", "eu-76-211": "packing", "uk-2006-659": "packing", "us-hb133": "sale",
    }  # fmt: skip
    assert not (table == "").any().any()


@pytest.mark.parametrize(
    "asked, meant", [("hb133", "us-hb133"), ("eu-76/211", "eu-76-211"), ("UK-2006-659", "uk-2006"),
                     ("ca-crc-471", "ca-crc-417")],
)  # fmt: skip
def test_an_unknown_name_is_answered_with_the_nearest(asked: str, meant: str) -> None:
    with pytest.raises(ValueError, match=f"did you mean '{meant}"):
        qa.rulebook(asked)


def test_a_name_like_no_other_is_answered_with_all() -> None:
    with pytest.raises(ValueError) as caught:
        qa.rulebook("qqqq")
    assert "did you mean" not in str(caught.value)
    assert all(name in str(caught.value) for name in NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_every_book_says_who_decides_and_what_of_drying(name: str) -> None:
    book = qa.rulebook(name)
    assert book.authority and book.drying and book.markets
    assert name in str(book)


@pytest.mark.parametrize(
    "declared, us, metric",
    [
        ("4 oz / 113 g", "4 oz", "113 g"),  # 113.398 g is more than 113 g
        ("113 g / 4 oz", "4 oz", "113 g"),
        ("4.2 oz / 120 g", "120 g", "120 g"),
        ("4.25 oz (120 g)", "4.25 oz", "120 g"),
        ("4 oz", "4 oz", "4 oz"),
        ("0.5 kg", "0.5 kg", "0.5 kg"),
    ],
)
def test_which_of_two_quantities_is_tested(declared: str, us: str, metric: str) -> None:
    assert str(qa.rulebook("us-hb133").resolve(declared)) == us
    for name in NAMES[:3]:
        assert str(qa.rulebook(name).resolve(declared)) == metric


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("declared", ["250 ml", "8 fl oz", "heavy", "", "0 g", "-5 g", 0, -1,
                                      float("nan"), float("inf"), "1 g / 2 g / 3 g"])  # fmt: skip
def test_what_is_not_a_declared_weight_is_refused(name: str, declared: float | str) -> None:
    with pytest.raises(ValueError):
        qa.rulebook(name).tolerable_deficiency(declared)


@pytest.mark.parametrize("name", NAMES)
def test_the_ways_to_say_120_grams_agree(name: str) -> None:
    book = qa.rulebook(name)
    ways = [120, 120.0, "120", "120 g", "0.12 kg", Decimal("120"), qa.Declaration.parse("120 g")]
    assert len({book.tolerable_deficiency(way) for way in ways}) == 1


def test_an_ounce_label_in_a_book_of_grams_is_converted_exactly() -> None:
    """4.2 oz is 119.0679...: 4.5 % is 5.358..., up to 5.4 g."""
    assert qa.rulebook("eu-76-211").tolerable_deficiency("4.2 oz") == 5.4


def test_a_figure_that_somebody_compared_is_graded_checked() -> None:
    book = qa.rulebook("us-hb133")
    name = book.tolerance("120 g").figure.name
    assert name == "us-hb133 MAV 117-154 g"  # what settings.csv calls it
    seen = book.with_checks({name: "page 151, by A. B., 3 May"})
    assert seen.tolerance("120 g").figure.grade == "checked"
    assert "page 151" in seen.tolerance("120 g").figure.clause
    assert seen.tolerance("250 g").figure.grade == book.tolerance("120 g").figure.grade
    plan = book.plan(100).figures[0]
    assert book.with_checks({plan.name: "page 9"}).plan(100).figures[0].grade == "checked"


def test_a_book_of_ones_own(tmp_path: Path) -> None:
    book = qa.rulebook(written(tmp_path, OWN_BOOK))
    assert book.tolerable_deficiency("61 g") == 3.5  # 5 % is 3.05, up to the next half gram
    assert book.tolerable_deficiency("100 g") == 5
    assert book.tolerable_deficiency("101 g") == 6
    with pytest.raises(ValueError, match="no row for 201 g"):
        book.tolerable_deficiency("201 g")
    verdict = qa.judge([61.0, 62.0, 60.5], "61 g", book, lot_size=20)
    assert verdict.outcome == "accept"
    assert "slack" in str(verdict)


@pytest.mark.parametrize(
    "old, new, says",
    [
        ("format = 1", "format = 2", "format"),
        ('judged_at = "packing"', 'judged_at = "whenever"', "judged_at"),
        ('edition = "first"', "", "'edition' is missing"),
        ('edition = "first"', 'edition = "first"\ncolour = "red"', "'colour' is not known"),
        ('grade = "computed"\nbands', 'grade = "sure"\nbands', "grade of deficiency table 1"),
        ('unit = "g"', 'unit = "stone"', "unit of deficiency table 1"),
        ("up_to = 200, amount = 6", "up_to = 200", "band 2 of deficiency table 1"),
        ("percent = 5,", "percent = 5, amount = 2,", "band 1 of deficiency table 1"),
        ("confidence = 0.95", "", "'confidence' is missing"),
        ('sample = "exactly"', 'sample = "some"', "'some' is not a sample in plan 1"),
        ("lot = [3, 40], ", "", "'lot' is missing in plan 1"),
        ("format = 1", "format 1", "not a TOML file"),
    ],
)
def test_a_mistake_in_a_file_names_file_and_key(
    tmp_path: Path, old: str, new: str, says: str
) -> None:
    assert OWN_BOOK.count(old) == 1
    with pytest.raises(ValueError, match=says) as caught:
        qa.rulebook(written(tmp_path, OWN_BOOK.replace(old, new)))
    assert "own.toml" in str(caught.value)


@pytest.mark.parametrize(
    "old, new",
    [
        ('grade = "computed"\nconfidence', 'grade = "sure"\nconfidence'),  # a grade nobody knows
        ("accept = 0, ", ""),  # KeyError in plan()
        ("factor = 0.5", "k = 0.5"),  # KeyError in plan()
        ("[sampling]", '[beyond_twice]\nsale = "forbidden"\n\n[sampling]'),  # KeyError in str()
        ("up_to = 200, amount", "up_to = 20, amount"),  # bands out of order
    ],
)
def test_a_mistake_in_a_file_is_found_on_reading_it(tmp_path: Path, old: str, new: str) -> None:
    with pytest.raises(ValueError, match=r"own\.toml"):
        qa.rulebook(written(tmp_path, OWN_BOOK.replace(old, new)))


def test_a_file_that_is_not_there() -> None:
    with pytest.raises(ValueError, match="no rule book file"):
        qa.rulebook("nowhere.toml")
