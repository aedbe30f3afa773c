"""Weights as read: each in its own unit, a package once, its own tare."""

from collections.abc import Callable
from pathlib import Path

import pytest

from qa_tools.readings import Weighings, read_weights
from qa_tools.readings.records import weigh

Write = Callable[[dict[str, str | bytes]], Path]


def read(folder: Write, text: str) -> Weighings:
    return read_weights(folder({"oct.csv": text}) / "oct.csv")


@pytest.mark.parametrize(
    ("cell", "unit", "decimal", "grams"),
    [
        ("118.4", "g", ".", 118.4),
        (118.4, "g", ",", 118.4),
        ("118,4 g", "oz", None, 118.4),
        ("1.250", "kg", ",", 1_250_000),
        ("1 lb 2 oz", "g", ".", 18 * 28.349523125),
    ],
)
def test_a_weight_in_grams(cell: object, unit: str, decimal: str | None, grams: float) -> None:
    assert weigh(cell, unit, decimal).grams == pytest.approx(grams, abs=1e-9)


@pytest.mark.parametrize(
    ("cell", "problem"),
    [
        ("", "no weight is written"),
        ("1.250", '"1.250" can be read two ways'),
        ("4 fl oz", '"4 fl oz" is a volume, not a weight'),
        ("3 stone", 'unit unknown: "stone"'),
        ("~120", '"~120" is not a number'),
    ],
)
def test_a_weight_that_cannot_be_read_says_why(cell: str, problem: str) -> None:
    assert weigh(cell, "g", None).problem == problem


def test_a_package_said_in_two_units_counts_once(folder: Write) -> None:
    weighings = read(
        folder, "batch,weight (g),weight (oz)\nQ-1,120,4.23\nQ-1,121,4.27\nQ-1,121,6\nQ-1,,4.2\n"
    )
    rows = weighings.table
    assert rows["column"].tolist() == ["weight (g)", "weight (g)", "weight (oz)"]
    assert rows["net_g"].round(2).tolist() == [120, 121, 119.07]
    assert "compared, not counted again" in rows["remark"][0]
    (lost,) = weighings.not_used.to_dict("records")
    assert (lost["row"], lost["column"], lost["value"]) == (4, "weight (g)", "121")
    assert lost["reason"] == (
        'the row says two weights: 121 g, and in column "weight (oz)" 6 oz (170.1 g)'
    )


def test_a_wide_row_in_two_units_counts_each_package_once(folder: Write) -> None:
    weighings = read(folder, "batch,w1 (g),w1 (oz),w2 (g),w2 (oz)\nQ-1,118,4.16,119,4.6\n")
    assert weighings.table["column"].tolist() == ["w1 (g)"]
    assert weighings.not_used["column"].tolist() == ["w2 (g)"]


def test_a_second_weight_that_cannot_be_read_is_pointed_out(folder: Write) -> None:
    rows = read(folder, "batch,net (g),net (oz)\nQ-1,120,4.23\nQ-1,121,smudged\n").table
    assert rows["net_g"].tolist() == [120, 121]
    assert (
        rows["remark"][1] == 'second weight not read: column "net (oz)", "smudged" is not a number'
    )


@pytest.mark.parametrize(
    "text",
    [
        "batch,w1 (g),w2 (g)\nQ-1,118,119\n",
        "batch,weight,weight\nQ-1,118,119\n",
        "batch,weight (g),weight (grams)\nQ-1,118,119\n",
        "loaf,weight (g),loaf,weight (oz)\n1,118,2,4.2\n",
    ],
)
def test_two_packages_in_a_row_stay_two(folder: Write, text: str) -> None:
    assert len(read(folder, text).table) == 2


def test_a_tare_has_its_own_unit(folder: Write) -> None:
    rows = read(folder, "batch,gross (g),tare (oz)\nQ-1,300,1\nQ-1,300,30 g\n").table
    assert rows["tare_g"].tolist() == pytest.approx([28.349523125, 30])
    once = read(folder, "Batch,Q-1\nTare (oz),1\n\nslot,gross (g)\n1,300\n").table
    assert once["tare_g"].tolist() == pytest.approx([28.349523125])
    same = read(folder, "batch,gross (oz),tare\nQ-1,10,1\n").table
    assert same["tare_g"].tolist() == pytest.approx([28.349523125])


def test_a_weight_whose_tare_cannot_be_read_does_not_pass_for_net(folder: Write) -> None:
    weighings = read(folder, "batch,weight,tare\nQ-1,300,3 stone\nQ-1,300,50\n")
    assert weighings.table["net_g"].tolist() == [250]
    assert weighings.not_used["reason"].tolist() == [
        'its tare cannot be used: unit unknown: "stone"'
    ]


def test_a_mean_does_not_set_the_step_of_the_scale(folder: Write) -> None:
    rows = read(folder, "batch,weight\nQ-1,118.2\nQ-1,118.3\nMean,118.2500\n").table
    assert rows["step_g"].tolist() == [0.1, 0.1]
