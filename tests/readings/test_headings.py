import pytest

from qa_tools.readings.headings import heading, nearest, word_for


@pytest.mark.parametrize(
    ("written", "column", "unit", "place"),
    [
        ("Net (g)", "net", "g", None),
        ("WEIGHT OZ", "weight", "oz", None),
        ("Weight, g", "weight", "g", None),
        ("weight in kg", "weight", "kg", None),
        ("w1", "weight", "", 1),
        ("W 12 (g)", "weight", "g", 12),
        ("slot-9", "slot", "", 9),
        ("Gross 3", "gross", "", 3),
        ("oz", "weight", "oz", None),
        ("Batch_No.", "batch", "", None),
        ("weighed at", "when", "", None),
        ("Operator:", "by", "", None),
        ("weight fl oz", "weight", "fl oz", None),
        ("Weight (stones)", "weight", "stones", None),
        ("colour", "", "", None),
    ],
)
def test_headings(written: str, column: str, unit: str, place: int | None) -> None:
    found = heading(written)
    assert (found.column, found.unit.casefold(), found.place) == (column, unit, place)


def test_a_way_of_weighing_in_brackets_is_no_unit() -> None:
    assert (heading("Weight (wrapped)").weighed, heading("Weight (wrapped)").unit) == (
        "wrapped",
        "",
    )


def test_cost_per_kg_is_no_cost_in_kilograms() -> None:
    assert heading("Cost per kg", "products").column == "cost_per_kg"


def test_words_and_names() -> None:
    assert word_for("fate", "Topped-up") == "topped up"
    assert word_for("weighed", "tared on the scale") == "tared on the scale"
    assert nearest("QH-0142", ["QH-0412", "RS-1"]) == "QH-0412"
    assert nearest("zzz", ["QH-0412"]) == ""
