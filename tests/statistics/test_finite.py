"""What a sample says of a finite batch: exactness, invariants, coverage by seeded simulation."""

from __future__ import annotations

import math
from fractions import Fraction
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, f_oneway, hypergeom, t

from qa_tools.statistics.finite import (
    effective_size,
    hypergeometric_cdf,
    mean_interval,
    most_short,
)


# The mean.
def test_simple_sample_is_students_t_with_the_finite_correction() -> None:
    """Cochran (1977) 2.6, by hand: mean 120.5, s^2 = 5/3, n = 4 of 8: v = 5/3/4 * (1 - 4/8)."""
    found = mean_interval([119.0, 121.0, 120.0, 122.0], lot_size=8)
    half = 3.182446 * math.sqrt(5 / 3 / 4 / 2)  # t(0.975, 3), standard tables
    assert found == pytest.approx((120.5, 120.5 - half, 120.5 + half), abs=1e-6)
    endless = mean_interval([119.0, 121.0, 120.0, 122.0])
    assert endless.upper - 120.5 == pytest.approx(half * math.sqrt(2), abs=1e-6)


def test_groups_of_one_size_are_the_interval_of_their_means() -> None:
    """Equal groups: the between-group t interval, and its mean square is that of the F test."""
    loaves = [[1.0, 2.0, 3.0], [2.0, 4.0, 6.0], [5.0, 5.0, 8.0], [1.0, 0.0, 2.0]]
    values = [bar for loaf in loaves for bar in loaf]
    group = [name for name in "abcd" for _ in range(3)]
    means = np.mean(loaves, axis=1)
    half = t.ppf(0.975, 3) * np.std(means, ddof=1) / 2
    found = mean_interval(values, None, group)
    assert found == pytest.approx((means.mean(), means.mean() - half, means.mean() + half))
    within = np.mean([np.var(loaf, ddof=1) for loaf in loaves])
    assert 3 * np.var(means, ddof=1) / within == pytest.approx(f_oneway(*loaves).statistic)


def test_groups_of_one_are_a_simple_sample() -> None:
    values = [3.0, 1.0, 4.0, 1.5, 9.0]
    assert mean_interval(values, 20, list("abcde")) == pytest.approx(mean_interval(values, 20))


def test_one_package_or_one_group_gives_no_bounds_but_a_whole_batch_does() -> None:
    for found in (mean_interval([5.0], 10), mean_interval([5.0, 6.0, 7.0], 10, ["a"] * 3)):
        assert math.isnan(found.lower) and math.isnan(found.upper)
    assert mean_interval([5.0], 1) == (5.0, 5.0, 5.0)
    assert mean_interval([5.0, 7.0], 2, ["a", "a"]) == (6.0, 6.0, 6.0)


@given(
    st.lists(st.integers(900, 1100), min_size=2, max_size=20),
    st.integers(0, 50),
    st.floats(0.5, 0.99),
)
def test_interval_holds_its_estimate_and_narrows_with_the_batch(
    values: list[int], more: int, confidence: float
) -> None:
    small = mean_interval(values, len(values) + more, None, confidence)
    large = mean_interval(values, None, None, confidence)
    assert large.lower <= small.lower <= small.estimate <= small.upper <= large.upper
    assert small.estimate == pytest.approx(sum(values) / len(values))


# The share short.
@given(st.data())
def test_the_distribution_is_exact(data: st.DataObject) -> None:
    lot = data.draw(st.integers(1, 60))
    short, n = data.draw(st.integers(0, lot)), data.draw(st.integers(0, lot))
    x = data.draw(st.integers(0, n))
    ways = sum(
        math.comb(short, k) * math.comb(lot - short, n - k)
        for k in range(x + 1)
        if k <= short and n - k <= lot - short
    )
    found = hypergeometric_cdf(x, lot, short, n)
    assert found == pytest.approx(float(Fraction(ways, math.comb(lot, n))), rel=1e-12, abs=1e-15)


def test_the_distribution_by_counting_every_draw() -> None:
    draws = list(combinations([1, 1, 1, 0, 0, 0, 0, 0], 4))
    for x in range(5):
        share = sum(sum(draw) <= x for draw in draws) / len(draws)
        assert hypergeometric_cdf(x, 8, 3, 4) == pytest.approx(share)


@pytest.mark.parametrize("confidence", [0.9, 0.95, 0.99])
@pytest.mark.parametrize("lot", [1, 2, 7, 20, 45])
def test_the_finite_bound_covers_every_lot_and_is_the_smallest(lot: int, confidence: float) -> None:
    """
    All lots, samples and counts enumerated: the bound covers the truth with at least the
    confidence, and each is the largest count not yet contradicted.
    """
    for n in range(1, lot + 1):
        bounds = [round(most_short(x, n, lot, confidence) * lot) for x in range(n + 1)]
        for short in range(lot + 1):
            chance = hypergeom.pmf(np.arange(n + 1), lot, short, n)
            covered = chance[[bound >= short for bound in bounds]].sum()
            assert covered >= confidence - 1e-12, (n, short)
        for x, bound in enumerate(bounds):
            if bound < lot - (n - x):  # one more short package would be contradicted
                assert hypergeom.cdf(x, lot, bound + 1, n) <= 1 - confidence + 1e-12


@given(st.integers(1, 200), st.data())
def test_the_endless_bound_is_clopper_pearsons(n: int, data: st.DataObject) -> None:
    x = data.draw(st.integers(0, n - 1))
    bound = most_short(x, n)
    assert binom.cdf(x, n, bound) == pytest.approx(0.05, rel=1e-6)
    assert most_short(x, n, 10**6 if n < 30 else 10**5) == pytest.approx(bound, abs=2e-3)


def test_bounds_at_the_ends() -> None:
    assert most_short(0, 98, 98) == 0.0
    assert most_short(3, 98, 98) == 3 / 98
    assert most_short(5, 5) == most_short(5, 5, 5) == most_short(5, 5, 50) == 1.0
    assert most_short(0, 30) == pytest.approx(1 - 0.05 ** (1 / 30))  # (1 - p)^n = 0.05


@given(st.integers(2, 120), st.data())
def test_more_short_or_fewer_weighed_never_lowers_the_bound(lot: int, data: st.DataObject) -> None:
    n = data.draw(st.integers(1, lot - 1))
    x = data.draw(st.integers(0, n - 1))
    assert most_short(x, n, lot) <= most_short(x + 1, n, lot)
    assert most_short(x, n + 1, lot) <= most_short(x, n, lot)
    assert x / lot <= most_short(x, n, lot) <= 1


def test_more_weighed_than_the_batch_holds_is_refused() -> None:
    with pytest.raises(ValueError):
        most_short(0, 10, 5)


# What a sample in groups is worth.
def test_effective_size_by_hand() -> None:
    """Pairs at 1, 5 and 9 g, alike within 0.1 g: six bars are worth little more than two."""
    values = [1.0, 1.1, 5.0, 5.1, 9.0, 9.1]
    between = np.var([1.05, 5.05, 9.05], ddof=1) / 3
    simple = np.var(values, ddof=1) / 6
    assert effective_size(values, list("aabbcc")) == math.floor(6 * simple / between) == 2


@given(st.lists(st.tuples(st.integers(90, 110), st.sampled_from("abcd")), min_size=1, max_size=40))
def test_effective_size_is_between_one_and_n(rows: list[tuple[int, str]]) -> None:
    values, group = [row[0] for row in rows], [row[1] for row in rows]
    assert 1 <= effective_size(values, group) <= len(rows)


def test_effective_size_at_the_ends() -> None:
    assert effective_size([1.0, 2.0, 3.0], ["a", "a", "a"]) == 1
    assert effective_size([1.0, 2.0, 3.0], ["a", "b", "c"]) == 3
    assert effective_size([1.0, 1.0, 9.0, 9.0, 5.0, 5.0], list("aabbcc")) <= 3


# Coverage, by seeded simulation of whole batches (12 loaves of 9) and samples from them.
def batch(rng: np.random.Generator, between: float = 1.0, within: float = 1.0) -> np.ndarray:
    return rng.normal(0, between, (12, 1)) + rng.normal(0, within, (12, 9))


def some(
    rng: np.random.Generator, bars: np.ndarray, sizes: list[int]
) -> tuple[np.ndarray, np.ndarray]:
    """`sizes[i]` bars picked at random from each of as many loaves picked at random."""
    loaves = rng.permutation(12)[: len(sizes)]
    picked = [
        bars[loaf, rng.permutation(9)[:size]] for loaf, size in zip(loaves, sizes, strict=True)
    ]
    return np.concatenate(picked), np.repeat(loaves, sizes)


def mean_coverage(
    sizes: list[int],
    repeats: int,
    seed: int,
    between: float = 1.0,
    group_total: int | None = None,
) -> float:
    rng = np.random.default_rng(seed)
    hits = 0
    for _ in range(repeats):
        bars = batch(rng, between)
        values, group = some(rng, bars, sizes)
        found = mean_interval(values, bars.size, group, group_total=group_total)
        hits += found.lower <= bars.mean() <= found.upper
    return hits / repeats


def at_least(found: float, confidence: float, repeats: int) -> None:
    error = math.sqrt(confidence * (1 - confidence) / repeats)
    assert found >= confidence - 4 * error, f"{found:.4f}, standard error {error:.4f}"


@pytest.mark.parametrize("n, lot", [(3, 20), (12, 20), (12, 108), (60, 108)])
def test_simple_samples_cover_the_batch_mean(n: int, lot: int) -> None:
    """2 000 batches each: 95 % within four standard errors (0.0195) both ways."""
    rng = np.random.default_rng(n)
    bars = rng.normal(0, 1, (2000, lot))  # exchangeable: the first n are a random sample
    intervals = [mean_interval(row[:n], lot) for row in bars]
    hits = [i.lower <= row.mean() <= i.upper for i, row in zip(intervals, bars, strict=True)]
    assert abs(np.mean(hits) - 0.95) <= 4 * math.sqrt(0.95 * 0.05 / 2000)


@pytest.mark.parametrize("loaves", [2, 3, 4, 6])
def test_a_few_whole_loaves_cover_the_batch_mean(loaves: int) -> None:
    """Spread between loaves equal to that within; 1 200 batches, four standard errors 0.025."""
    found = mean_coverage([9] * loaves, 1200, loaves)
    assert abs(found - 0.95) <= 4 * math.sqrt(0.95 * 0.05 / 1200)


def test_a_few_bars_of_every_loaf_err_to_the_wide_side_without_the_number_of_loaves() -> None:
    at_least(mean_coverage([2] * 12, 400, 5), 0.95, 400)


@pytest.mark.parametrize("between", [0.0, 1.0, 3.0])
def test_the_same_number_of_every_loaf_covers_as_stated(between: float) -> None:
    """Stratified: only the spread within loaves is left; 1 000 batches, 0.0276 both ways."""
    found = mean_coverage([2] * 12, 1000, 5, between, group_total=12)
    assert abs(found - 0.95) <= 4 * math.sqrt(0.95 * 0.05 / 1000)


@pytest.mark.parametrize("sizes", [[4, 4], [2] * 4, [9, 1, 1], [5, 5, 3, 3, 1, 1], [2] * 11])
def test_some_of_a_known_number_of_loaves_cover_the_batch_mean(sizes: list[int]) -> None:
    at_least(mean_coverage(sizes, 1000, 9, group_total=12), 0.95, 1000)


def test_the_number_of_loaves_by_hand() -> None:
    """
    Cochran (1977) 10.3, two of four loaves of four, two bars of each: means 1.5 and 4.5, spread
    within 0.5. (1 - 2/4) s_b^2/2 + (2/4) (1 - 2/4) s_w^2/4, each with its own t.
    """
    found = mean_interval([1.0, 2.0, 4.0, 5.0], 16, list("aabb"), group_total=4)
    between, within = (1 - 2 / 4) * 4.5 / 2, (2 / 4) * (1 - 2 / 4) * 0.5 / 4
    half = math.sqrt(t.ppf(0.975, 1) ** 2 * between + t.ppf(0.975, 2) ** 2 * within)
    assert found == pytest.approx((3.0, 3.0 - half, 3.0 + half))
    every = mean_interval([1.0, 2.0, 4.0, 5.0], 8, list("aabb"), group_total=2)
    assert every.upper - 3.0 == pytest.approx(t.ppf(0.975, 2) * math.sqrt(0.5 * 0.5 / 4))


def test_one_batch_of_one_loaf_is_a_simple_sample() -> None:
    values = [3.0, 1.0, 4.0, 1.5]
    assert mean_interval(values, 9, ["a"] * 4, group_total=1) == pytest.approx(
        mean_interval(values, 9)
    )


def test_more_loaves_sampled_than_there_are_is_refused() -> None:
    with pytest.raises(ValueError, match="3 loaves or trays sampled of 2"):
        mean_interval([1.0, 2.0, 3.0, 4.0], 20, list("aabc"), group_total=2)


# An error that all values share.
def test_a_shared_error_widens_the_interval_and_is_left_when_all_are_weighed() -> None:
    """By hand: variance 0.25 from 6 values (t(0.975, 5) = 2.570582) when nothing else is left."""
    found = mean_interval([119.0, 121.0], 2, shared=(0.25, 5))
    assert found == pytest.approx((120.0, 120 - 0.5 * 2.570582, 120 + 0.5 * 2.570582), abs=1e-6)
    some_weighed = mean_interval([119.0, 121.0, 120.0, 122.0], 8)
    both = mean_interval([119.0, 121.0, 120.0, 122.0], 8, shared=(0.25, 5))
    assert (both.upper - 120.5) ** 2 == pytest.approx(
        (some_weighed.upper - 120.5) ** 2 + (found.upper - 120) ** 2
    )
    assert math.isnan(mean_interval([119.0, 121.0], 2, shared=(math.nan, 1)).lower)


def test_without_the_groups_the_interval_would_be_far_too_narrow() -> None:
    """Why `group` is asked for: three loaves of nine taken for 27 random bars."""
    rng = np.random.default_rng(6)
    hits = 0
    for _ in range(400):
        bars = batch(rng)
        found = mean_interval(some(rng, bars, [9, 9, 9])[0], bars.size)
        hits += found.lower <= bars.mean() <= found.upper
    assert hits / 400 < 0.75


@pytest.mark.parametrize("sizes", [[9, 1], [9, 1, 1], [9, 9, 1], [9, 1, 1, 1, 1]])
def test_loaves_of_very_different_numbers_cover_the_batch_mean(sizes: list[int]) -> None:
    at_least(mean_coverage(sizes, 1000, 7), 0.95, 1000)


def share_coverage(sizes: list[int], share: float, repeats: int, seed: int) -> float:
    from scipy.special import ndtri

    rng = np.random.default_rng(seed)
    limit = ndtri(share) * math.sqrt(2)
    hits = 0
    for _ in range(repeats):
        bars = batch(rng)
        values, group = some(rng, bars, sizes)
        size = effective_size(values, group)
        short = int((values < limit).sum())
        bound = most_short(math.ceil(short * size / values.size), size, bars.size)
        hits += bound >= (bars < limit).mean() - 1e-12
    return hits / repeats


@pytest.mark.parametrize("loaves, share", [(5, 0.05), (5, 0.2), (6, 0.3), (8, 0.1)])
def test_clustered_bounds_cover_the_share_short(loaves: int, share: float) -> None:
    """The rule of `own_check`, 1 000 batches each: 95 % less four standard errors (0.0276)."""
    at_least(share_coverage([9] * loaves, share, 1000, loaves), 0.95, 1000)


@pytest.mark.slow
@pytest.mark.parametrize("share", [0.02, 0.05, 0.1, 0.2, 0.3, 0.5])
@pytest.mark.parametrize("loaves", [5, 6, 8])
def test_clustered_bounds_at_length(loaves: int, share: float) -> None:
    at_least(share_coverage([9] * loaves, share, 10_000, 8), 0.95, 10_000)


@pytest.mark.slow
@pytest.mark.parametrize("between", [0.0, 0.5, 2.0])
@pytest.mark.parametrize("loaves", [2, 3, 6])
def test_clustered_means_at_length(loaves: int, between: float) -> None:
    found = mean_coverage([9] * loaves, 10_000, 10, between)
    assert abs(found - 0.95) <= 4 * math.sqrt(0.95 * 0.05 / 10_000)
