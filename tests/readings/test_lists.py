"""The lists beside the weighings: each weight in its own unit, each fault with its cell."""

from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from qa_tools.readings import Works, read_works
from qa_tools.readings.lists import list_named

Write = Callable[[dict[str, str | bytes]], Path]


def works(folder: Write, **lists: str) -> Works:
    files: dict[str, str | bytes] = {f"{name}.csv": text for name, text in lists.items()}
    return read_works(folder({**files, "weights/a.csv": "batch,weight\nQ-1,120\nQ-1,2\n"}))


def faults(of: Works) -> list[list[str]]:
    return of.unread[["file", "expected", "found", "to_do"]].to_numpy().tolist()


def test_a_list_is_known_by_its_name() -> None:
    assert [list_named(name) for name in ("Scale-Checks", "TARE", "october")] == [
        "scale_checks",
        "tare",
        "",
    ]


def test_each_column_of_weights_has_its_own_unit(folder: Write) -> None:
    scales = works(folder, scales="scale,d (g),max (kg),e (mg)\nS1,0.1,3,100\n").scales
    assert scales.loc[0, ["d", "max", "e"]].tolist() == [0.1, 3000, 0.1]
    checks = works(folder, scale_checks="scale,applied (g),shown (oz)\nS1,100,3.53\n").scale_checks
    assert checks["unit"][0] == "g"
    assert checks.loc[0, ["applied", "shown"]].tolist() == pytest.approx([100, 3.53 * 28.349523125])


def test_the_nearest_unit_holds(folder: Write) -> None:
    """With the value; else in the heading; else in the row's column of units; else grams."""
    rows = works(folder, tare="part,tare,unit\na,5 g,oz\nb,5,oz\nc,5,\n").tare
    assert rows[["tare", "unit"]].to_numpy().tolist() == [[5, "g"], [5, "oz"], [5, "g"]]
    rows = works(folder, tare="part,tare (oz),unit\na,5,g\n").tare
    assert rows[["tare", "unit"]].to_numpy().tolist() == [[5, "oz"]]


@pytest.mark.parametrize(
    ("text", "written", "problem"),
    [
        ("part,tare\na,5 mL\nb,5\n", "column tare: '5 mL'", "is a volume"),
        ("part,tare (fl oz)\na,5\nb,6 g\n", "column tare (fl oz): '5'", "is a volume"),
        ("part,tare,unit\na,5,ml\nb,5,g\n", "column tare: '5'", "is a volume"),
        ("part,tare,unit\na,5,pinch\nb,5,g\n", "column tare: '5'", "is not a unit of weight"),
    ],
)
def test_a_unit_that_is_none_of_weight_makes_no_grams(
    folder: Write, text: str, written: str, problem: str
) -> None:
    found = works(folder, tare=text)
    assert found.tare["part"].tolist() == ["b"]
    ((file, expected, said, to_do),) = faults(found)
    assert (file, expected) == ("tare.csv", "a weight")
    assert said.startswith(f"in row 2, {written}")
    assert problem in said
    assert to_do == "Correct the cell; it is taken as empty until then"


def test_a_cell_that_cannot_be_read_names_row_column_and_value(folder: Write) -> None:
    found = works(
        folder,
        products="product,Cure\noat,soon\n",
        batches="batch,made_on,packages\nQ-1,the third,1.5\n",
    )
    assert [(file, expected, said) for file, expected, said, _ in faults(found)] == [
        ("products.csv", "a number", "in row 2, column Cure: 'soon' is not a number"),
        (
            "batches.csv",
            "a date",
            "in row 2, column made_on: 'the third': no date, or one that can be read two ways",
        ),
        (
            "batches.csv",
            "a whole number",
            "in row 2, column packages: '1.5': not a whole number",
        ),
    ]


def test_an_empty_cell_that_is_needed_names_row_and_column(folder: Write) -> None:
    found = works(folder, labels="product,declared\noat,120\nsoap,\n")
    assert found.labels["product"].tolist() == ["oat"]
    assert faults(found) == [
        [
            "labels.csv",
            "something in column declared",
            "nothing in row 3, column declared",
            "Fill it in; the row is left out until then",
        ]
    ]


def test_a_column_that_is_needed_is_missed_once_a_file(folder: Write) -> None:
    found = works(folder, labels="product,declard\noat,120\nsoap,100\n")
    assert not len(found.labels)
    assert faults(found) == [
        [
            "labels.csv",
            'a column headed "declared"',
            'none; the headings read "product", "declard"',
            'Head a column "declared" (is "declard" meant for it?); no row of the list is used '
            "until then",
        ]
    ]


@pytest.mark.parametrize(("mark", "declared"), [("point", "1.25 g"), ("comma", "1250 g")])
def test_a_label_is_read_with_the_decimal_mark_that_was_answered(
    folder: Write, mark: str, declared: str
) -> None:
    settings = f"name,value\ndecimal mark,{mark}\n"
    found = works(folder, labels="product,declared\noat,1.250 g\n", settings=settings)
    assert found.labels["declared"].tolist() == [declared]
    assert not len(found.unread)


def test_a_label_that_can_be_read_two_ways_asks_for_the_mark(folder: Write) -> None:
    found = works(folder, labels="product,declared\noat,1.250 g\n")
    ((_, _, said, to_do),) = faults(found)
    assert "two ways" in said
    assert 'name "decimal mark of labels.csv", value "comma" or "point"' in to_do


def test_a_label_keeps_its_own_words(folder: Write) -> None:
    labels = "product;declared;unit;declared_2;unit_2\noat;4,2;oz;120;g\nsoap;1 lb 2 oz;;;\n"
    found = works(folder, labels=labels)
    assert found.labels["declared"].tolist() == ["4,2 oz / 120 g", "1 lb 2 oz"]


def test_lists_in_two_places_are_one(folder: Write) -> None:
    one, other = "product,form\noat,bar\n", "product,colour\nbalm,green\n"
    both = read_works(
        folder(
            {
                "products.csv": one,
                "more/products.csv": other,
                "a.csv": "batch,weight\nQ-1,120\n",
            }
        )
    ).products
    assert sorted(both["product"]) == ["balm", "oat"]
    assert both.set_index("product")["colour"].to_dict() == {"balm": "green", "oat": ""}
    assert pd.isna(both["cure_days"]).all()
