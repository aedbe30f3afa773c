"""Capability: counts, words, batches, what is refused."""

import numpy as np
import pandas as pd
import pytest

from qa_tools.charts import capability

random = np.random.default_rng(23)
BATCH = np.repeat([f"B{i}" for i in range(10)], 6)
WEIGHTS = np.round(122 + np.repeat(random.normal(0, 2, 10), 6) + random.normal(0, 1, 60), 1)


def test_shares_of_both_limits_in_numbers_and_words() -> None:
    found = capability([*WEIGHTS, 112.0], lower=114.6, twice=109.2)
    assert found.shares["limit"].tolist() == [114.6, 109.2]
    assert found.shares["weighed_below"].tolist() == [1, 0]
    assert (found.shares["at_least"] < found.shares["share"]).all()
    assert (found.shares["share"] < found.shares["at_most"]).all()
    assert found.shares["at_most_any"].tolist() == pytest.approx([0.0754, 0.0479], abs=1e-4)
    text = repr(found)
    assert "Below 114.6 g: 1 of 61 weighed" in text
    assert "weights taken as normal; from the count alone at most 7.5 %" in text
    assert f"Capability index against the lower limit: {found.index.estimate:.2f}" in text


def test_exactly_the_limit_is_not_below_it() -> None:
    found = capability([0.3, 0.1 + 0.2, 0.5, 0.7], lower=0.1 * 3)
    assert found.shares.loc["lower", "weighed_below"] == 0


def test_batches_make_the_bounds_wider() -> None:
    plain, grouped = (capability(WEIGHTS, lower=114.6, batch=b) for b in (None, BATCH))
    assert grouped.shares.loc["lower", "at_most"] > 2 * plain.shares.loc["lower", "at_most"]
    assert grouped.shares.loc["lower", "at_most_any"] > plain.shares.loc["lower", "at_most_any"]
    assert grouped.index.lower < plain.index.lower
    assert grouped.tolerance_limit() < plain.tolerance_limit()
    series = pd.Series(WEIGHTS, index=range(100, 160))
    assert capability(series, lower=114.6, batch=BATCH).mean == grouped.mean


@pytest.mark.parametrize(
    ("values", "more", "says"),
    [
        ([120.0], {}, "two or more"),
        ([], {}, "got 0"),
        ([120.0] * 5, {}, r"all 5 weights are equal \(sd 0\): weigh on a finer scale"),
        ([np.nan] * 5, {}, "all 5 are missing"),
        ([120.0, 121.0], {"lower": np.nan}, "lower nan"),
        ([120.0, 121.0], {"twice": 115.0}, "a smaller one"),
        ([120.0, 121.0], {"lower": "114"}, "lower '114'"),
        ([120.0, 121.0], {"lower": None}, "lower None"),
        ([120.0, 121.0], {"twice": "108"}, "twice '108'"),
        ([120.0, 121.0], {"confidence": "0.95"}, "confidence is '0.95'"),
        ([120.0, 121.0], {"confidence": 95}, "confidence is 95"),
        ([120.0, 121.0], {"batch": ["a"]}, "got 2 readings and 1 batches"),
        ([120.0, 121.0], {"batch": ["a", None]}, "no label|no loaf"),
        ([120.0, 121.0], {"batch": ["a", "a"]}, "two or more batches"),
        ([120.0, 121.0], {"batch": ["a", "b"]}, "two or more batches that differ, one of them"),
    ],
)
def test_bad_input_says_what_would_work(values, more, says) -> None:
    with pytest.raises(ValueError, match=says):
        capability(values, **{"lower": 114.6} | more)


def test_a_wide_spread_still_shows_the_mean_to_a_tenth_of_a_gram() -> None:
    found = capability([116.2, 122.4, 119.8, 117.9, 122.0], lower=114.6)
    assert repr(found).startswith("Mean 119.7 g, sd of one package 2.6 g")
