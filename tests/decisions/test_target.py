"""The fill target: the plain cases by hand, the official test by what it must come back to."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom, nct, norm

import qa_tools as qa
from qa_tools.books.draws import count_test, mean_test
from qa_tools.books.limits import below, limits
from qa_tools.books.plans import inspected

EU, UK, US, CA, DE, JP = (
    "eu-76-211", "uk-2006-659", "us-hb133", "ca-crc-417", "de-fpackv-2020", "jp-guideline",
)  # fmt: skip
Z = norm.ppf(0.99)


def required(found: qa.FillTarget, book: str, requirement: str) -> float:
    rows = found.requirements
    return rows.loc[(rows["book"] == book) & (rows["requirement"] == requirement), "mean_g"].item()


# Plain cases by hand.
def test_the_average_is_one_more_normal_spread() -> None:
    found = qa.fill_target(2, "120 g", EU, lot_size=108, sd_between=1.5)
    assert required(found, EU, "average") == pytest.approx(
        120 + Z * math.hypot(1.5, 2 / math.sqrt(108)), abs=1e-6
    )


# The sheet's table of targets (8.1): Q - T + 1.96 s, in Germany 2.054 s; Q - 2T + 3.72 s.
@pytest.mark.parametrize(("book", "deviate"), [(UK, 1.96), (DE, 2.054)])
def test_the_usual_rule_for_the_share_beyond_t(book: str, deviate: float) -> None:
    found = qa.fill_target(3, "100 g", book, lot_size=200)
    assert required(found, book, "beyond T") == pytest.approx(100 - 4.5 + deviate * 3, abs=2e-3)
    between = qa.fill_target(3, "100 g", book, lot_size=200, sd_between=1)
    assert required(between, book, "beyond T") == pytest.approx(
        100 - 4.5 + deviate * 3 + Z, abs=2e-3
    )


def test_one_in_ten_thousand_beyond_twice_t_is_one_lot_of_100_in_100() -> None:
    found = qa.fill_target(3, "100 g", UK, lot_size=100)
    assert required(found, UK, "beyond 2T") == pytest.approx(100 - 9 + 3.719 * 3, abs=5e-3)


@pytest.mark.parametrize(
    ("sd", "decides"), [(2.2, "average"), (2.5, "beyond T"), (2.6, "beyond 2T")]
)
def test_which_rule_governs(sd: float, decides: str) -> None:
    """The sheet: for 100 g, up to 2.296 g of sd rule 1, from 2.557 g rule 3 (large lots alike)."""
    found = qa.fill_target(sd, "100 g", UK, lot_size=100)
    rows = found.requirements.set_index("requirement")["mean_g"].drop("official test")
    rows["average"] = 100.0
    assert rows.idxmax() == decides


def test_canada_bears_one_beyond_twice_t() -> None:
    found = qa.fill_target(4, "120 g", CA, lot_size=108)
    p = norm.cdf((109.2 - required(found, CA, "beyond 2T")) / 4)
    assert binom.sf(1, 108, p) == pytest.approx(0.01, rel=1e-3)
    assert "more than 1 of its packages" in found.requirements["event"].iloc[-1]


def test_the_official_mean_test_alone_is_a_quantile_of_the_non_central_t() -> None:
    """A spread far below T leaves the mean of 50 alone."""
    found = qa.fill_target(0.5, "120 g", EU, lot_size=1000)
    over = (required(found, EU, "official test") - 120) / 0.5
    root = math.sqrt(50)
    assert nct.cdf(-0.379 * root, 49, over * root) == pytest.approx(0.01, rel=2e-3)


def test_the_official_count_alone_is_binomial() -> None:
    """Handbook 133: none of 12 short by more than 9 g, the mean far above the label."""
    found = qa.fill_target(12, "120 g", US, lot_size=108)
    p = 1 - 0.99 ** (1 / 12)
    assert required(found, US, "official test") == pytest.approx(111 - 12 * norm.ppf(p), abs=0.02)


# Simulated.
@pytest.mark.parametrize("book", [UK, CA])
def test_lots_drawn_at_the_target_are_rejected_as_often_as_the_risk_says(book: str) -> None:
    """Lots of their own mean, inspected by the book's own test: within 3 standard errors."""
    found = qa.fill_target(3, "120 g", book, lot_size=108, sd_between=2, risk=0.05)
    mean = required(found, book, "official test")
    random = np.random.default_rng(1)
    plan, limit = inspected(qa.rulebook(book), 108), limits("120 g", book)
    lots = random.normal(mean, 2, (60_000, 1)) + random.normal(0, 3, (60_000, plan.n_all))
    fails = np.minimum(
        count_test(below(lots, limit.short_g), plan, plan.n_all),
        mean_test(lots - limit.target_g, plan),
    )
    rejected = fails < 0
    if plan.beyond_twice_reject is not None:
        rejected |= below(lots, limit.twice_g).sum(axis=1) >= plan.beyond_twice_reject
    assert rejected.mean() == pytest.approx(0.05, abs=3 * math.sqrt(0.05 * 0.95 / 60_000) + 1e-3)


def test_whole_lots_made_at_the_other_targets_fail_them_as_often_as_the_risk_says() -> None:
    found = qa.fill_target(4, "120 g", UK, lot_size=48 * 4, sd_between=1.5, risk=0.05)
    random = np.random.default_rng(2)
    means, bars = random.normal(0, 1.5, (40_000, 1)), random.normal(0, 4, (40_000, 192))
    made = means + bars
    light = (made + required(found, UK, "average")).mean(axis=1) < 120
    share = norm.cdf((114.6 - means - required(found, UK, "beyond T")) / 4)[:, 0] > 0.025
    twice = (made + required(found, UK, "beyond 2T") < 109.2).any(axis=1)
    error = 3 * math.sqrt(0.05 * 0.95 / 40_000)
    for event in (light, share, twice):
        assert event.mean() == pytest.approx(0.05, abs=error)


# Properties.
@settings(max_examples=15, deadline=None)
@given(st.floats(0.5, 4), st.sampled_from([EU, US, CA]), st.floats(0, 3))
def test_at_the_target_the_next_lot_is_rejected_at_most_with_the_risk(
    sd: float, book: str, between: float
) -> None:
    found = qa.fill_target(sd, "120 g", book, lot_size=108, sd_between=between)
    at = {"declared": "120 g", "book": book, "lot_size": 108, "sd_between": between}
    least = required(found, book, "official test")
    assert qa.chance_of_rejection(least, sd, **at) == pytest.approx(0.01, rel=0.02)
    assert qa.chance_of_rejection(found.target, sd, **at) <= 0.0102
    assert found.target == found.requirements["mean_g"].max()


def test_a_lower_risk_asks_for_more() -> None:
    targets = [
        qa.fill_target(2, "120 g", EU, lot_size=108, sd_between=1, risk=risk).target
        for risk in (0.1, 0.05, 0.01, 0.001)
    ]
    assert targets == sorted(targets)


def test_several_books_and_labels_take_the_highest() -> None:
    found = qa.fill_target(2, "4.2 oz / 119 g", [US, EU], lot_size=108)
    assert found.requirements["book"].unique().tolist() == [US, EU]
    assert found.binding == "us-hb133, average"
    assert found.giveaway == pytest.approx(found.target - 4.2 * 28.349523125)
    assert required(found, US, "average") == pytest.approx(
        4.2 * 28.349523125 + Z * 2 / math.sqrt(108)
    )
    assert str(found).startswith("fill to 119.52 g on average (+0.45 g against the label), decided")
    assert "each event in at most 1 of 100 lots\n" in repr(found)


def test_ounces_are_grams() -> None:
    ounce = 28.349523125
    one = qa.fill_target(0.1, "4.2 oz", US, lot_size=108, sd_between=0.05, unit="oz")
    other = qa.fill_target(0.1 * ounce, "4.2 oz", US, lot_size=108, sd_between=0.05 * ounce)
    assert one.target == pytest.approx(other.target, abs=1e-9)


# A book that limits what is over.
def test_between_two_limits_the_target_is_where_the_lower_lets_go() -> None:
    """Each of 108 within 114.6 (4.5 %: rounded by the book) and 132 g."""
    limit = limits("120 g", JP)
    found = qa.fill_target(2, "120 g", JP, lot_size=108)
    inside = norm.cdf((limit.over_g - found.target) / 2) - norm.cdf(
        (limit.short_g - found.target) / 2
    )
    assert 1 - inside**108 == pytest.approx(0.01, rel=1e-3)


def test_packages_too_uneven_for_two_limits_are_refused() -> None:
    with pytest.raises(ValueError, match=r"no mean will do.*lower the spread first"):
        qa.fill_target(5, "120 g", JP, lot_size=108)


def test_what_other_books_ask_may_be_too_much_for_one_that_limits_it() -> None:
    with pytest.raises(ValueError, match=r"rejected under jp-guideline for what is over"):
        qa.fill_target(0.5, "120 g", [JP, EU], lot_size=108, sd_between=2.5)


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"sd": 0}, "sd is 0 g"),
        ({"sd_between": -1}, "sd_between is -1 g"),
        ({"risk": 0.5}, "risk=0.5"),
        ({"books": []}, "at least one rule book"),
        ({"books": "oiml-r87-2004", "lot_size": 50}, "no non-destructive sampling plan"),
    ],
)
def test_refused(wrong: dict[str, object], words: str) -> None:
    asked = {"sd": 2, "declared": "120 g", "books": EU, "lot_size": 108} | wrong
    with pytest.raises(ValueError, match=words):
        qa.fill_target(**asked)  # type: ignore[arg-type]
