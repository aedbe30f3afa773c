"""Readings handed over in every form that is taken, and the reasons others are refused."""

from decimal import Decimal
from functools import partial

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qa_tools.charts import (
    capability,
    cusum,
    diagnostics,
    ewma,
    individuals,
    mean_range,
    mean_sd,
)
from qa_tools.charts.subgroups import by_label

ROWS = [[120.1, 121.0, 119.4], [120.3, 119.9, 120.8], [124.0, 123.1, 123.6], [119.9, 121.2, 120.7]]
LABELS = ["B1", "B2", "B3", "B4"]


def long_form() -> pd.Series:
    labels = pd.Index(np.repeat(LABELS, 3), name="batch")
    return pd.Series(np.ravel(ROWS), index=labels)


@pytest.mark.parametrize(
    ("given", "labels", "each"),
    [
        (ROWS, ["1", "2", "3", "4"], "subgroup"),
        (np.array(ROWS), ["1", "2", "3", "4"], "subgroup"),
        (tuple(np.array(row) for row in ROWS), ["1", "2", "3", "4"], "subgroup"),
        (dict(zip(LABELS, ROWS, strict=True)), LABELS, ""),
        (pd.DataFrame(ROWS), ["1", "2", "3", "4"], "subgroup"),
        (pd.DataFrame(ROWS, index=pd.Index(LABELS, name="batch")), LABELS, "batch"),
        (long_form(), LABELS, "batch"),
        (long_form().astype("Float64"), LABELS, "batch"),
        (long_form().map(lambda value: Decimal(str(value))), LABELS, "batch"),
    ],
)
def test_one_chart_from_every_form(given: object, labels: list[str], each: str) -> None:
    chart, plain = mean_range(given), mean_range(ROWS)
    assert (chart.lower, chart.upper) == (plain.lower, plain.upper)
    assert chart.points["value"].tolist() == plain.points["value"].tolist()
    assert chart.points["label"].tolist() == labels
    assert chart.each == each


def test_a_series_is_gathered_by_label_in_order_of_first_appearance() -> None:
    mixed = pd.Series([5.0, 1.0, 6.0, 2.0, 3.0], index=["late", "early", "late", "early", "early"])
    points = mean_range(mixed).points
    assert points["label"].tolist() == ["late", "early"]
    assert points["n"].tolist() == [2, 3]
    assert points["value"].tolist() == [5.5, 2.0]


@given(st.lists(st.integers(-3, 3), min_size=2, max_size=12), st.booleans())
def test_numbers_as_labels_gather_as_words_do(keys: list[int], in_order: bool) -> None:
    keys = sorted(keys) if in_order else keys
    readings = pd.Series(np.arange(len(keys), dtype=float), index=keys)
    words = by_label(readings.set_axis([f"{key}" for key in keys]))
    for numbers in (readings, readings.set_axis(pd.array(keys, dtype="Int64"))):
        found = by_label(numbers)
        assert found.labels == words.labels
        assert found.values.tolist() == words.values.tolist()
        assert found.sizes.tolist() == words.sizes.tolist()


def test_dates_and_pairs_become_readable_labels() -> None:
    days = pd.DatetimeIndex(["2025-03-03", "2025-03-04", "2025-03-05"], name="made_on")
    chart = individuals(pd.Series([120.0, 121.0, 119.5], index=days))
    assert chart.points["label"].tolist() == ["2025-03-03", "2025-03-04", "2025-03-05"]
    assert chart.each == "made on"
    pairs = pd.MultiIndex.from_product([["B1", "B2"], ["loaf 1", "loaf 2"]])
    grouped = pd.Series(np.arange(8.0), index=pairs.repeat(2))
    assert mean_range(grouped).points["label"].tolist()[0] == "B1 loaf 1"


@pytest.mark.parametrize("chart", [mean_range, mean_sd])
@pytest.mark.parametrize(
    ("given", "says"),
    [
        (None, r"expected subgroups of readings, found None\. Subgroups are a list of rows"),
        ("120 121", r"expected subgroups of readings, found '120 121'"),
        (120.5, r"expected subgroups of readings, found 120\.5"),
        ({"B1": None, "B2": [119.8, 120.8]}, r"^B1: expected a row of readings, found None"),
        ({"B1": [[120.1, 121.0], [119.0]]}, r"^B1: .*found rows of unequal length"),
        (
            pd.DataFrame({"batch": ["B1", "B1"], "net_g": [120.1, 121.0]}),
            r"'B1', not a number.*where each row is one reading, write table\.set_index",
        ),
        ([["120,5", "121,0"], [119.8, 120.8]], r"subgroup 1: reading 1 is '120,5', not a number"),
        ([[120.1, 121.0]], r"two or more subgroups.*got 1, 1 of them"),
        ([], r"two or more subgroups.*got 0"),
        ({}, r"two or more subgroups.*got 0"),
        ([[120.1], [121.0], [119.8, 120.2]], r"1 of them.*charts\.individuals"),
        ([[120.1, 120.9], []], r"subgroup 2 has no readings; leave it out"),
        ({"B1": [120.1, 120.9], "B2": []}, r"^B2 has no readings"),
        ([[120.1, 120.1], [119.8, 119.8]], r"sd 0.*finer scale"),
        ([[120.1, np.nan], [119.8, 120.8]], r"subgroup 1: reading 2 is missing.*[Ll]eave it out"),
        ([[120.1, None], [119.8, 120.8]], r"subgroup 1: reading 2 is missing"),
        ([[120.1, np.inf], [119.8, 120.8]], r"subgroup 1: reading 2 is missing or not finite"),
        ([["120.1", "120.4"], [119.8, 120.8]], r"subgroup 1: reading 1 is '120.1', not a number"),
        ([[120.1, True, "x"], [119.8, 120.8]], r"subgroup 1: reading 1 is '120.1', not a number"),
        ([[True, False], [119.8, 120.8]], r"subgroup 1: reading 1 is True, not a number"),
        ([120.1, 121.0, 119.8], r"found 120\.1\. .*charts\.individuals"),
        (pd.Series([120.1, 121.0, 119.8]), r"no two readings share a subgroup.*set_index"),
        (pd.Series([1.0, 2.0, 3.0], index=["a", "a", None]), r"reading 3 has no label"),
        (long_form().astype("Float64").mask(lambda s: s > 123.9), r"reading 7 is missing"),
    ],
)
def test_what_cannot_be_charted_says_what_would_work(chart, given, says) -> None:
    with pytest.raises(ValueError, match=says):
        chart(given)


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ([50.0], r"two or more, better twenty; got 1"),
        ([], r"got 0"),
        ([50.0] * 12, r"all 12 .* are equal.*\(sd 0\).*finer scale"),
        ([50.0, np.nan, 51.0], r"reading 2 is missing"),
        ([50.0, "heavy"], r"reading 1 is '50.0', not a number"),
        ([[50.0, 51.0], [52.0, 53.0]], r"table of shape \(2, 2\)"),
        (50.0, r"found 50\.0\. Give one row of numbers"),
        (None, r"found None\. Give one row of numbers"),
        ([[50.0, 51.0], [52.0]], r"found rows of unequal length\. Give one row"),
        (["50,5", "51,0"], r"reading 1 is '50,5', not a number"),
    ],
)
@pytest.mark.parametrize(
    "of", [individuals, ewma, cusum, partial(capability, lower=1), diagnostics]
)
def test_what_is_no_row_of_readings_says_what_would_work(of, given: object, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        of(given)
