"""More weighed than the plan asks: the share of random draws, against every draw counted."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import hypergeom

import qa_tools as qa
from qa_tools.books.draws import DRAWS, share_of_draws
from qa_tools.books.plans import CountStage, SamplingPlan

STANDARD = math.sqrt(0.25 / DRAWS)  # the error that the docstring states: at most 0.0025


def toy(
    *stages: tuple[int, int, int], mean_n: int | None = None, factor: float | None = None,
    twice: int | None = None,
) -> SamplingPlan:  # fmt: skip
    """A plan small enough to count every draw by hand."""
    counts = tuple(CountStage(*stage) for stage in stages)
    return replace(
        qa.rulebook("us-hb133").plan(50), n=max(counts[0].n, mean_n or 0), count_stages=counts,
        mean_n=mean_n, factor=factor, exact_factor=factor, beyond_twice_reject=twice,
    )  # fmt: skip


def brute(errors: list[float], plan: SamplingPlan, t: float) -> tuple[float, float]:
    """Accept and reject shares over every order in which the packages could be drawn."""
    accept = reject = orders = 0
    for order in permutations(errors, min(len(errors), plan.n_all)):
        count, end = None, 0
        for stage in plan.count_stages:
            end += stage.n
            if count is not None or end > len(order):
                break
            found = sum(e < -t for e in order[:end])
            count = True if found <= stage.accept else False if found >= stage.reject else None
        mean = True
        if plan.mean_n is not None and plan.factor is not None:
            own = order[: plan.mean_n]
            average = sum(own) / len(own)
            s = math.sqrt(sum((e - average) ** 2 for e in own) / (len(own) - 1))
            mean = average + plan.factor * s >= -1e-9
        twice = True
        if plan.beyond_twice_reject is not None:
            twice = sum(e < -2 * t for e in order) < plan.beyond_twice_reject
        failed = count is False or not mean or not twice
        accept += count is True and not failed
        reject += failed
        orders += 1
    return accept / orders, reject / orders


@pytest.mark.parametrize(
    "plan, errors",
    [
        (toy((3, 0, 1)), [-6, 1, 1, 1, 1, 1]),  # 1/2
        (toy((3, 0, 1), mean_n=3, factor=0.5), [-3, -2, 1, 2, 0, 1, -1]),
        (toy((2, 0, 2), (2, 1, 2)), [-6, -7, 1, 1, 1]),  # double sampling, filled
        (toy((2, 0, 2), (2, 1, 2)), [-6, -7, 1]),  # too few left for the second sample
        (toy((2, 0, 2), (2, 1, 2), mean_n=2, factor=0.8), [-6, 4, 1, -1, 1, 2]),
        (toy((4, 1, 2), mean_n=2, factor=0.3), [-6, -1, 3, 0, -1, -2]),  # mean of fewer
        (toy((3, 1, 2), mean_n=3, factor=0.0, twice=1), [-11, 9, 2, 1, -6]),
    ],
)
def test_every_order_counted(plan: SamplingPlan, errors: list[float]) -> None:
    values = np.array(errors, float)
    draws = share_of_draws(values, values < -5, values < -10, plan)
    accept, reject = brute(errors, plan, 5)
    assert abs(draws.accept - accept) <= 4 * STANDARD
    assert abs(draws.reject - reject) <= 4 * STANDARD


@given(st.lists(st.integers(-12, 6), min_size=4, max_size=6), st.sampled_from([0.0, 0.4, 1.2]))
@settings(max_examples=8)
def test_any_few_packages_counted(errors: list[int], factor: float) -> None:
    plan = toy((2, 0, 2), (2, 1, 2), mean_n=2, factor=factor, twice=2)
    values = np.array(errors, float)
    draws = share_of_draws(values, values < -5, values < -10, plan)
    accept, reject = brute([float(e) for e in errors], plan, 5)
    assert abs(draws.accept - accept) <= 4.5 * STANDARD
    assert abs(draws.reject - reject) <= 4.5 * STANDARD


@pytest.mark.parametrize("weighed, short", [(13, 1), (30, 1), (30, 3), (100, 2)])
def test_count_part_of_handbook_133_is_hypergeometric(weighed: int, short: int) -> None:
    """Lot of 12 to 250: 12 drawn, none beyond the MAV allowed."""
    flags = np.arange(weighed) < short
    plan = qa.rulebook("us-hb133").plan(108)
    draws = share_of_draws(np.ones(weighed), flags, np.zeros(weighed, bool), plan)
    exact = hypergeom.pmf(0, weighed, short, 12)
    assert abs(draws.short - exact) <= 4 * math.sqrt(exact * (1 - exact) / DRAWS) + 1e-12
    assert draws.accept == draws.short


@pytest.mark.parametrize("weighed, short", [(60, 3), (70, 4), (90, 6), (150, 8)])
def test_count_part_of_the_double_plan_is_hypergeometric(weighed: int, short: int) -> None:
    """Directive 76/211/EEC Annex II 2.2.1: 30 (1, 3), then 30 more (4, 5) of what was weighed."""
    first = hypergeom(weighed, short, 30)
    exact = first.cdf(1) + first.pmf(2) * hypergeom.cdf(2, weighed - 30, short - 2, 30)
    flags = np.arange(weighed) < short
    plan = qa.rulebook("eu-76-211").plan(400)
    draws = share_of_draws(np.ones(weighed), flags, np.zeros(weighed, bool), plan)
    assert abs(draws.accept - exact) <= 4 * math.sqrt(exact * (1 - exact) / DRAWS)
    assert draws.accept + draws.reject == pytest.approx(1)


def test_too_few_left_for_the_second_sample_is_neither() -> None:
    """40 weighed, 3 short: two of them in the first 30 leaves the draw undecided."""
    flags = np.arange(40) < 3
    plan = qa.rulebook("eu-76-211").plan(400)
    draws = share_of_draws(np.ones(40), flags, np.zeros(40, bool), plan)
    undecided = hypergeom.pmf(2, 40, 3, 30)
    assert abs(1 - draws.accept - draws.reject - undecided) <= 4 * STANDARD


def test_mean_takes_its_own_number_from_the_first() -> None:
    """More than 3 200 packages: 80 for the count, a random 50 of them for the mean (2.3)."""
    plan = qa.rulebook("eu-76-211").plan(5000)
    rng = np.random.default_rng(2)
    errors = rng.normal(-0.35, 1.0, 80)
    none = np.zeros(80, bool)
    draws = share_of_draws(errors, none, none, plan)
    means = []
    for _ in range(4000):
        own = rng.permutation(errors)[:50]
        means.append(own.mean() + 0.379 * own.std(ddof=1) >= 0)
    assert draws.short == 1
    assert 0.05 < np.mean(means) < 0.95  # the case says something
    assert abs(draws.mean - np.mean(means)) <= 4 * math.sqrt(0.25 / 4000 + 0.25 / DRAWS)


def test_same_weights_same_answer_whatever_their_order_within_error() -> None:
    plan = qa.rulebook("us-hb133").plan(108)
    errors = np.random.default_rng(3).normal(-0.5, 1.2, 60)
    none = np.zeros(60, bool)
    once, again = (share_of_draws(errors, none, none, plan) for _ in range(2))
    assert once == again
    turned = share_of_draws(errors[::-1].copy(), none, none, plan)
    assert abs(turned.accept - once.accept) <= 6 * STANDARD
    assert once.error == pytest.approx(math.sqrt(once.accept * (1 - once.accept) / DRAWS))
    assert once.error <= STANDARD


def test_draws_through_judge() -> None:
    """One of 30 bars beyond the MAV: 12 of 30 leave it out with chance 18/30: unsettled."""
    verdict = qa.judge([105.0] + [123.0] * 29, "120 g", "us-hb133", lot_size=100)
    assert verdict.outcome == "unsettled"
    assert verdict.draws is not None
    assert verdict.draws.short == pytest.approx(0.6, abs=4 * STANDARD)
    assert verdict.reason.startswith("60")
    assert verdict.tests["outcome"].tolist() == ["accept", "unsettled"]
    assert set(verdict.tests["unit"]) == {"of draws pass"} and set(verdict.tests["limit"]) == {0.95}


@pytest.mark.parametrize("weighed, short", [(31, 2), (40, 3), (45, 3)])
def test_too_few_for_the_second_sample_tells_the_shares(weighed: int, short: int) -> None:
    """Directive Annex II 2.2.1: the draw is open with 2 short in the first 30: hypergeometric."""
    verdict = qa.judge(
        [114.5] * short + [125.0] * (weighed - short), "120 g", "eu-76-211", lot_size=400
    )
    still_open = hypergeom.pmf(2, weighed, short, 30)
    assert still_open > 0.05 and verdict.outcome == "too few"
    assert f"weigh {60 - weighed} more" in verdict.reason
    assert ("most draws" in verdict.reason) == (still_open > 0.5)
    if still_open <= 0.5:
        told = [int(share) for share in re.findall(r"(\d+) %", verdict.reason)]
        exact = [hypergeom.cdf(1, weighed, short, 30), hypergeom.sf(2, weighed, short, 30)]
        assert told == pytest.approx([100 * x for x in (*exact, still_open)], abs=1.5)
        assert "would pass" in verdict.reason and "need the second sample" in verdict.reason


def test_all_draws_pass_or_none_do() -> None:
    good = qa.judge([121.0] * 40, "120 g", "us-hb133", lot_size=100)
    assert (good.outcome, good.draws and good.draws.accept) == ("accept", 1.0)
    bad = qa.judge([119.0] * 40, "120 g", "us-hb133", lot_size=100)
    assert (bad.outcome, bad.draws and bad.draws.reject) == ("reject", 1.0)


@pytest.mark.parametrize(("weighed", "short", "lot"), [(33, 6, 240), (16, 2, 240), (47, 4, 2000)])
def test_what_is_known_exactly_is_not_left_to_chance(weighed: int, short: int, lot: int) -> None:
    """Shares of 0.0490, 0.0500 and 0.0496 by the hypergeometric distribution: reject."""
    plan = qa.rulebook("us-hb133").plan(lot)
    exact = float(hypergeom.cdf(plan.count_stages[0].accept, weighed, short, plan.n))
    flags = np.arange(weighed) < short
    draws = share_of_draws(np.full(weighed, 9.0), flags, np.zeros(weighed, bool), plan)
    assert draws.accept == pytest.approx(exact, abs=1e-9) and draws.error == 0
    weights = np.where(flags, 110.0, 130.0 + np.arange(weighed) / 10)
    assert qa.judge(weights, "120 g", "us-hb133", lot_size=lot).outcome == "reject"
