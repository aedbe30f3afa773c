"""The smallest and the largest declaration of the labels that hold on a day."""

import pandas as pd

from qa_tools.readings.labels import declared_range

LABELS = pd.DataFrame(
    {
        "product": ["oat", "oat", "oat", ""],
        "declared": ["125 g", "4.2 oz / 120 g", "110 g", "60 g"],
        "from": pd.to_datetime([None, "2026-03-01", "2026-03-01", None]),
        "to": pd.to_datetime(["2026-01-31", None, None, None]),
    }
)


def told(product: str, day: str | None) -> list[str]:
    return [str(one) for one in declared_range(LABELS, product, pd.Timestamp(day) if day else None)]


def test_smallest_and_largest_on_a_day() -> None:
    assert told("oat", "2026-03-01") == ["110 g", "4.2 oz / 120 g"]
    assert told("oat", "2026-01-31") == ["125 g", "125 g"]


def test_a_day_between_two_labels_falls_back_on_those_in_use_now() -> None:
    assert told("oat", "2026-02-15") == told("oat", None) == ["110 g", "4.2 oz / 120 g"]


def test_a_label_of_no_named_product_holds_for_those_without_one() -> None:
    assert told("balm", None) == ["60 g", "60 g"]
    assert declared_range(LABELS.iloc[:3], "balm", None) == (None, None)
