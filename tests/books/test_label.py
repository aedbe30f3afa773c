"""Labels: two quantities that are one, the figures shown, which is tested, weight or volume."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import qa_tools as qa
from qa_tools.books.label import label_check

OUNCE = 28.349523125


@pytest.mark.parametrize(
    "label, holds, tested_us",
    [
        ("4 oz / 113 g", True, "4 oz"),  # 113.398 g, rounded down
        ("4 oz / 114 g", True, "114 g"),  # rounded up: Handbook 133 lets packers, and tests 114 g
        ("4 oz / 116 g", True, "116 g"),  # 4.092 oz, rounded down to a tenth
        ("4 oz / 117 g", False, "117 g"),  # 4.127 oz
        ("4 oz / 111 g", True, "4 oz"),  # 3.915 oz, rounded up
        ("4 oz / 110 g", False, "4 oz"),  # 3.880 oz
        ("4.2 oz / 120 g", True, "120 g"),  # 120 g is 4.233 oz, rounded down to a tenth
        ("4.23 oz / 120 g", True, "120 g"),
        ("4.25 oz / 120 g", True, "4.25 oz"),  # 120.49 g, rounded down
        ("4 oz / 120 g", False, "120 g"),  # one figure of an ounce is no rounding of 4.233
        ("4.2 oz / 119 g", True, "4.2 oz"),
        ("4.2 oz / 125 g", False, "125 g"),
        ("3.5 oz / 100 g", True, "100 g"),
        ("8.8 oz / 250 g", True, "250 g"),
        ("8.8 oz / 205 g", False, "8.8 oz"),  # two figures swapped
        ("1 lb / 454 g", True, "454 g"),
        ("1 lb / 453 g", True, "1 lb"),
        ("1 lb 4 oz / 566 g", True, "20 oz"),
        ("10 lb / 4.53 kg", True, "10 lb"),
        ("2 oz / 56 g", True, "2 oz"),
        ("120 g / 4.2 oz", True, "120 g"),
        ("120 g", True, "120 g"),
    ],
)
def test_two_quantities_that_are_one(label: str, holds: bool, tested_us: str) -> None:
    """By hand: 1 oz is 28.349523125 g."""
    check = label_check(label, "us-hb133")
    assert check.holds == holds, str(check)
    assert str(check.tested) == tested_us
    assert tested_us in str(check)
    assert bool(check.findings) != holds


def test_a_label_that_does_not_hold_together_is_told_what_would() -> None:
    check = label_check("4.2 oz / 125 g", "us-hb133")
    assert check.findings == (
        "4.2 oz is 119.1 g and 125 g is 4.409 oz, 5 % apart: "
        "write 4.2 oz / 119 g or 4.4 oz / 125 g.",
    )
    for better in ("4.2 oz / 119 g", "4.4 oz / 125 g"):
        assert label_check(better, "us-hb133").holds


@pytest.mark.parametrize(
    "label, system",
    [
        ("60 g / 120 g", "metric"), ("0.06 kg / 120 g", "metric"), ("120.5 g / 120 g", "metric"),
        ("4 oz / 5 oz", "avoirdupois"), ("1 lb / 14 oz", "avoirdupois"),
    ],
)  # fmt: skip
def test_two_quantities_in_one_system_contradict_each_other(label: str, system: str) -> None:
    check = label_check(label, "us-hb133")
    first, second = label.split(" / ")
    assert check.findings[0] == (
        f"{first} and {second} contradict each other, both in {system} units: keep the one that "
        "the package holds."
    )


@pytest.mark.parametrize("label", ["1.25 kg / 1250 g", "1 lb / 16 oz", "120 g / 120 g"])
def test_one_quantity_twice_is_no_contradiction(label: str) -> None:
    assert label_check(label, "us-hb133").holds


def test_the_quantity_that_states_more_is_told() -> None:
    (remark, *_) = label_check("4 oz / 114 g", "us-hb133").remarks
    assert remark == "4 oz and 114 g are one, rounded; 114 g is the larger, by 0.6019 g."


def test_the_units_a_label_must_have_are_asked_for() -> None:
    """Canada: metric is compulsory, Act s. 4(1); the US: both, FTC rule of 14 February 1994."""
    canada = label_check("4 oz", "ca-crc-417")
    assert not canada.holds and "metric declaration is compulsory" in canada.findings[0]
    assert label_check("113 g", "ca-crc-417").holds
    assert "both" in label_check("120 g", "us-hb133").remarks[0]


def test_canada_tests_the_metric_quantity() -> None:
    assert str(label_check("4 oz / 113 g", "ca-crc-417").tested) == "113 g"


@pytest.mark.parametrize(
    "label, says",
    [
        ("113.4 g", "113.4 g shows 4 figures and 3 are asked for (ss. 25 to 27): write 113 g."),
        ("62.55 g", "write 62.5 g"),
        ("1200 g", "1200 g: from 1000 g on, kilograms are written"),
        ("0.12 kg", "below 1000 g, grams are written"),
    ],
)
def test_figures_and_units_in_canada(label: str, says: str) -> None:
    """ss. 25 and 27: three figures, two below 100 g; kilograms from 1 000 g."""
    findings = label_check(label, "ca-crc-417").findings
    assert len(findings) == 1
    assert says in findings[0]


@pytest.mark.parametrize("label", ["113 g", "62.5 g", "62 g", "0.5 kg", "1.25 kg", "500 g", 120.0,
                                   120, 62.5])  # fmt: skip
def test_labels_as_canada_writes_them(label: float | str) -> None:
    assert label_check(label, "ca-crc-417").findings == ()


def test_a_viscous_good_by_weight_is_remarked_where_volume_is_the_rule() -> None:
    """Canada s. 21; the US and a solid bar hear nothing of it."""
    for name, clause in (("ca-crc-417", "s. 21"), ("de-fpackv-2020", "6(2)")):
        check = label_check("250 g", name, goods="viscous")
        assert check.holds
        assert any(clause in remark and "volume" in remark for remark in check.remarks)
        assert not any("volume" in text for text in label_check("250 g", name).remarks)
        solid = label_check("250 g", name, goods="solid")
        assert not any("volume" in text for text in solid.remarks)
    with pytest.raises(ValueError, match="one of solid, viscous, liquid"):
        label_check("250 g", "ca-crc-417", goods="viscos")  # type: ignore[arg-type]


def test_a_book_whose_rule_of_figures_is_not_known_says_so() -> None:
    check = label_check("113.4 g", "eu-76-211")
    assert check.holds
    assert check.remarks == ("How many figures eu-76-211 asks for is not known here.",)


def test_a_volume_is_no_declaration_of_weight() -> None:
    with pytest.raises(ValueError, match="volume"):
        label_check("100 ml", "us-hb133")


@settings(deadline=None)  # the first call reads the books
@given(st.integers(40, 1999))
def test_ounces_to_a_tenth_converted_and_rounded_down_hold(tenths: int) -> None:
    ounces = tenths / 10
    grams = ounces * OUNCE
    step = 1 if grams < 1000 else 10
    down = int(grams // step * step)
    if down < 1000:
        assert label_check(f"{ounces} oz / {down} g", "us-hb133").holds
        assert not label_check(f"{ounces} oz / {down * 1.1:.0f} g", "us-hb133").holds


@settings(deadline=None)  # the first call reads the books
@given(st.integers(100, 999))
def test_what_is_told_to_write_holds(grams: int) -> None:
    check = label_check(f"4.2 oz / {grams} g", "us-hb133")
    for finding in check.findings:
        one, other = finding.split("write ")[1].rstrip(".").split(" or ")
        assert label_check(one, "us-hb133").holds, finding
        assert label_check(other, "us-hb133").holds, finding


def test_the_book_may_be_given_itself() -> None:
    book = qa.rulebook("us-hb133")
    assert label_check("4.2 oz / 120 g", book) == label_check("4.2 oz / 120 g", "us-hb133")
