"""
Published and computed figures of acceptance sampling that the plans and bounds must give back.

Sources beside each: the reference sheet on the average quantity system, section 7 (operating
characteristics, computed there with SciPy), and the sheet of statistical check values, section 6
(NIST/SEMATECH e-Handbook, MIL-STD-105E) and 7.3 (Natrella, NBS Handbook 91).
"""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom, nct
from sheet_figures import COUNT_OC, EU, MEAN_OC, PLANS, SHARES, SHIFTS, UK

import qa_tools as qa
from qa_tools.books.plans import SamplingPlan
from qa_tools.statistics.finite import hypergeometric_cdf, mean_interval, most_short


def plan(key: str) -> SamplingPlan:
    book, size, test = PLANS[key]
    return qa.rulebook(book).plan(size, test=test)


def binomial_acceptance(asked: SamplingPlan, share: float) -> float:
    first, *second = asked.count_stages
    accepted = float(binom.cdf(first.accept, first.n, share))
    for found in range(first.accept + 1, first.reject):
        stage = second[0]
        more = binom.cdf(stage.accept - found, stage.n, share)
        accepted += float(binom.pmf(found, first.n, share) * more)
    return accepted


@pytest.mark.parametrize("key", COUNT_OC)
def test_the_plans_have_the_published_operating_characteristic(key: str) -> None:
    """Section 7, first table: a slip in any stage, accept or reject number would show here."""
    found = [binomial_acceptance(plan(key), share) for share in SHARES]
    assert found == pytest.approx(COUNT_OC[key], abs=5.1e-5)


@pytest.mark.parametrize(
    "key, at_95, at_50, at_10",
    [("n 50, c 3", 2.779, 7.295, 12.876), ("n 80, c 5", 3.317, 7.058, 11.285),
     ("n 125, c 7", 3.224, 6.119, 9.237), ("destructive n 20, c 1", 1.807, 8.251, 18.096)],
)  # fmt: skip
def test_shares_accepted_at_given_probability_are_clopper_pearson_bounds(
    key: str, at_95: float, at_50: float, at_10: float
) -> None:
    """
    Section 7, second table: the share accepted with probability b is the upper bound for c of n
    short at confidence 1 - b, in an endless batch.
    """
    stage = plan(key).count_stages[0]
    found = [100 * most_short(stage.accept, stage.n, None, c) for c in (0.05, 0.50, 0.90)]
    assert found == pytest.approx([at_95, at_50, at_10], abs=5.1e-4)


def hypergeometric_acceptance(asked: SamplingPlan, lot: int, bad: int) -> float:
    def at_most(x: int, size: int, short: int, n: int) -> float:
        return hypergeometric_cdf(x, size, short, n) if x >= 0 else 0.0

    first, *second = asked.count_stages
    accepted = at_most(first.accept, lot, bad, first.n)
    for found in range(first.accept + 1, min(first.reject, bad + 1)):
        here = at_most(found, lot, bad, first.n) - at_most(found - 1, lot, bad, first.n)
        stage = second[0]
        accepted += here * at_most(stage.accept - found, lot - first.n, bad - found, stage.n)
    return accepted


@pytest.mark.parametrize(
    "key, lot, bad, expected",
    [
        ("EU 30/30", 100, 2, 1.0000), ("EU 30/30", 100, 5, 0.8189), ("EU 30/30", 100, 10, 0.1936),
        ("EU 30/30", 500, 12, 0.9676), ("EU 30/30", 500, 25, 0.7698), ("EU 30/30", 500, 50, 0.2643),
        ("EU 50/50", 1000, 25, 0.9890), ("EU 50/50", 1000, 50, 0.7887),
        ("EU 50/50", 1000, 100, 0.1556), ("EU 80/80", 10_000, 250, 0.9837),
        ("EU 80/80", 10_000, 500, 0.6479), ("EU 80/80", 10_000, 1000, 0.0436),
        ("n 50, c 3", 100, 2, 1.0000), ("n 50, c 3", 100, 5, 0.8189),
        ("n 50, c 3", 100, 10, 0.1589),
        ("n 125, c 7", 10_000, 250, 0.9870), ("n 125, c 7", 10_000, 500, 0.7125),
        ("n 125, c 7", 10_000, 1000, 0.0589),
    ],
)  # fmt: skip
def test_finite_lots_exactly(key: str, lot: int, bad: int, expected: float) -> None:
    """Section 7, third table (exact hypergeometric)."""
    assert hypergeometric_acceptance(plan(key), lot, bad) == pytest.approx(expected, abs=5.1e-5)


# The sheet names the mean tests by their numbers and factors.
BY_FACTOR = {
    (20, 0.640): MEAN_OC["destructive n 20, c 1"][0],
    (30, 0.503): MEAN_OC["EU 30/30"][0],
    (50, 0.379): MEAN_OC["EU 50/50"][0],
}


@pytest.mark.parametrize("key", ["destructive n 20, c 1", "EU 30/30", "EU 50/50", "EU 80/80"])
def test_the_mean_test_has_the_published_operating_characteristic(key: str) -> None:
    """mean + k s >= Q is a non-central t comparison: sqrt(n) (mean - Q) / s >= -k sqrt(n)."""
    n, k = plan(key).mean_n or 0, plan(key).factor or 0
    found = [nct.sf(-k * math.sqrt(n), n - 1, -shift * math.sqrt(n)) for shift in SHIFTS]
    assert found == pytest.approx(BY_FACTOR[n, k], abs=5.1e-5)


# Simulation: judge_lots itself on thousands of lots, within four standard errors of the tables.
def simulate(book: str, n: int, lot_size: int, rows: np.ndarray) -> pd.Series:
    table = pd.DataFrame({"batch": np.repeat(np.arange(len(rows)), n), "net_g": rows.ravel()})
    judged = qa.judge_lots(table, book, declared="120 g", lot_size=lot_size)
    return (
        judged["outcome"]
        .value_counts(normalize=True)
        .reindex(["accept", "reject", "too few"], fill_value=0.0)
    )


def near(found: float, expected: float, lots: int) -> None:
    error = math.sqrt(expected * (1 - expected) / lots)
    assert abs(found - expected) <= 4 * error + 5e-5  # the tables end at four decimals


@pytest.mark.parametrize("shift", [0.1, 0.3, 0.5])
@pytest.mark.parametrize("book", [EU, UK])
def test_simulated_mean_test_of_30(book: str, shift: float) -> None:
    """Spread far below the TNE of 5.4 g, so only the mean decides; 6 000 seeded lots of 200."""
    rng = np.random.default_rng(30)
    share = simulate(book, 30, 200, rng.normal(120 - shift, 1.0, (6000, 30)))
    near(share["accept"], BY_FACTOR[30, 0.503][SHIFTS.index(shift)], 6000)


def test_simulated_mean_test_of_50() -> None:
    rng = np.random.default_rng(50)
    share = simulate(EU, 50, 1000, rng.normal(120 - 0.3, 1.0, (6000, 50)))
    near(share["accept"], BY_FACTOR[50, 0.379][SHIFTS.index(0.3)], 6000)


@pytest.mark.parametrize("bad", [0.025, 0.05, 0.10])
@pytest.mark.parametrize("key, n, lot_size", [("EU 30/30", 30, 200), ("EU 50/50", 50, 1000)])
def test_simulated_count_test(key: str, n: int, lot_size: int, bad: float) -> None:
    """
    Packages 6 g short with probability `bad`, the rest 9 g over, so the mean passes. The first
    stage accepts, rejects or asks for the second, whose binomial share completes the figure.
    """
    lots = 6000
    rng = np.random.default_rng(n)
    share = simulate(EU, n, lot_size, np.where(rng.random((lots, n)) < bad, 114.0, 129.0))
    first = plan(key).count_stages[0]
    near(share["accept"], float(binom.cdf(first.accept, n, bad)), lots)
    near(share["reject"], float(binom.sf(first.reject - 1, n, bad)), lots)
    undecided = float(binom.cdf(first.reject - 1, n, bad) - binom.cdf(first.accept, n, bad))
    saved = COUNT_OC[key][SHARES.index(bad)] - float(binom.cdf(first.accept, n, bad))
    estimate = share["accept"] + share["too few"] * saved / undecided
    near(float(estimate), COUNT_OC[key][SHARES.index(bad)], lots)


@pytest.mark.parametrize(
    "book, n, lot_size, expected",
    [
        ("us-hb133", 12, 100, 0.025),  # US sheet 9.1: "fails the average test about 2.5 %"
        ("us-hb133", 24, 1000, 0.025),
        ("ca-crc-417", 12, 48, 0.005),  # Canada sheet 1.6: "about 0.5 %"
        ("ca-crc-417", 32, 1000, 0.005),
    ],
)
def test_simulated_lot_exactly_at_the_label_fails_as_often_as_published(
    book: str, n: int, lot_size: int, expected: float
) -> None:
    rng = np.random.default_rng(n)
    share = simulate(book, n, lot_size, rng.normal(120.0, 0.5, (6000, n)))
    near(share["reject"], expected + 2e-4, 6000)


@pytest.mark.slow
@pytest.mark.parametrize("shift", SHIFTS)
@pytest.mark.parametrize("n, lot_size", [(30, 200), (50, 1000)])
def test_simulated_mean_test_at_length(n: int, lot_size: int, shift: float) -> None:
    rng = np.random.default_rng(n * 1000)
    share = simulate(EU, n, lot_size, rng.normal(120 - shift, 1.0, (60_000, n)))
    near(share["accept"], BY_FACTOR[n, {30: 0.503, 50: 0.379}[n]][SHIFTS.index(shift)], 60_000)


# The sheet of statistical check values.
def test_single_plan_52_3_in_a_lot_of_10_000() -> None:
    """6.1, NIST/SEMATECH e-Handbook 6.2.3.2 (pmc232): hypergeometric column; published to 0.001."""
    published = [.998, .98, .93, .845, .739, .62, .502, .394, .300, .223, .162, .115]  # fmt: skip
    exact = [.998236, .980091, .930037, .846461, .738579, .619558, .501521, .393214, .299599,
             .222462, .161364, .114566]  # fmt: skip
    found = [hypergeometric_cdf(3, 10_000, 100 * per_cent, 52) for per_cent in range(1, 13)]
    assert found == pytest.approx(exact, abs=1.1e-6)
    # the printed values are binomial, 0.001 as the sheet allows, and the finite lot adds 0.0007
    assert found == pytest.approx(published, abs=0.0018)


def test_letter_k_per_cent_nonconforming_at_a_given_acceptance() -> None:
    """6.2, MIL-STD-105E / ISO 2859-1 letter K, n = 125, c = 3: the binomial row."""
    rows = {0.99: 0.664, 0.95: 1.100, 0.90: 1.403, 0.75: 2.032, 0.50: 2.930, 0.25: 4.053,
            0.10: 5.266, 0.05: 6.086, 0.01: 7.813}  # fmt: skip
    for accepted, per_cent in rows.items():
        assert 100 * most_short(3, 125, None, 1 - accepted) == pytest.approx(per_cent, abs=5.1e-4)


def test_exact_hypergeometric_fractions() -> None:
    """6.3."""
    assert hypergeometric_cdf(0, 100, 5, 20) == pytest.approx(
        float(Fraction(19513, 61110)), rel=1e-12
    )
    assert hypergeometric_cdf(1, 100, 5, 20) == pytest.approx(
        float(Fraction(22594, 30555)), rel=1e-12
    )
    assert hypergeometric_cdf(0, 50, 3, 10) == pytest.approx(float(Fraction(247, 490)), rel=1e-12)


def test_mica_washers() -> None:
    """7.3, Natrella, NBS Handbook 91, chapter 2: 95 % interval for the mean."""
    washers = [.123, .124, .126, .129, .120, .132, .123, .126, .129, .128]  # fmt: skip
    found = mean_interval(washers)
    assert found == pytest.approx((0.1260, 0.123432, 0.128568), abs=5.1e-7)
