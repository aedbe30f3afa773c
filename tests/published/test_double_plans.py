"""
Double plans of Directive 76/211/EEC, Annex II 2.2.1, as whole tests.

Section 7 of the sheet on the average quantity system: shares accepted with given probability, and
average sample numbers (computed there), and the comparison with the single plans of SI 2006/659.
"""

from __future__ import annotations

import pytest
from scipy.optimize import brentq
from scipy.stats import binom

import qa_tools as qa
from qa_tools.books.plans import SamplingPlan

# Lot; per cent beyond the TNE accepted with probability 0.95, 0.50, 0.10; packages weighed on
# average with 2.5 % and 5 % beyond the TNE.
ROWS = [
    (100, (2.635, 7.484, 13.563), (34.0, 37.8)),
    (501, (3.307, 6.931, 11.188), (56.1, 67.8)),
    (3201, (3.064, 5.717, 8.747), (90.9, 117.3)),
]
SINGLE_AT_10 = {100: 12.876, 501: 11.285, 3201: 9.237}


def acceptance(plan: SamplingPlan, share: float) -> float:
    first, second = plan.count_stages
    total = float(binom.cdf(first.accept, first.n, share))
    for found in range(first.accept + 1, first.reject):
        more = binom.cdf(second.accept - found, second.n, share)
        total += float(binom.pmf(found, first.n, share) * more)
    return total


def average_weighed(plan: SamplingPlan, share: float) -> float:
    first, second = plan.count_stages
    open_ = binom.cdf(first.reject - 1, first.n, share) - binom.cdf(first.accept, first.n, share)
    return float(first.n + second.n * open_)


@pytest.mark.parametrize("lot, shares, weighed", ROWS)
def test_shares_accepted_and_average_sample_numbers(
    lot: int, shares: tuple[float, ...], weighed: tuple[float, ...]
) -> None:
    plan = qa.rulebook("eu-76-211").plan(lot)
    for probability, percent in zip((0.95, 0.50, 0.10), shares, strict=True):
        root = brentq(lambda p, want=probability: acceptance(plan, p) - want, 1e-4, 0.5)
        assert 100 * root == pytest.approx(percent, abs=5.1e-4)
    for share, number in zip((0.025, 0.05), weighed, strict=True):
        assert average_weighed(plan, share) == pytest.approx(number, abs=0.051)


@pytest.mark.parametrize("lot, shares, weighed", ROWS)
def test_single_and_double_plans_agree_within_six_percent_at_a_tenth(
    lot: int, shares: tuple[float, ...], weighed: tuple[float, ...]
) -> None:
    """Annex I 5 as Spain's decree restates it asks for less than 15 %."""
    stage = qa.rulebook("uk-2006-659").plan(lot, test="single").count_stages[0]
    root = 100 * brentq(lambda p: binom.cdf(stage.accept, stage.n, p) - 0.10, 1e-4, 0.5)
    assert root == pytest.approx(SINGLE_AT_10[lot], abs=5.1e-4)
    assert abs(root / shares[2] - 1) < 0.06
