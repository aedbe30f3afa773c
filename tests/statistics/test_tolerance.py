"""Bounds on a share and their coverage, with and without batches; what is refused."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import ndtr

from qa_tools.statistics.tolerance import (
    of_batches,
    of_sample,
    sds_above,
    share_below,
    tolerance_limit,
)


def batches_of(rows: list[np.ndarray]):
    means = np.array([row.mean() for row in rows])
    squares = sum(float(((row - row.mean()) ** 2).sum()) for row in rows)
    return of_batches(np.array([len(row) for row in rows]), means, squares)


@given(
    n=st.integers(2, 400),
    distance=st.floats(-6, 8),
    scale=st.sampled_from([0.01, 1.0, 300.0]),
    shift=st.integers(-500, 500),
)
def test_bounds_hold_the_estimate_and_carry_over(n, distance, scale, shift) -> None:
    plain = share_below(of_sample(distance, 1.0, n), 0.0)
    moved = share_below(of_sample(distance * scale + shift, scale, n), shift)
    assert moved == pytest.approx(plain, rel=1e-5, abs=1e-12)
    assert 0 <= plain.lower <= plain.estimate <= plain.upper <= 1
    low, high = sds_above(of_sample(distance, 1.0, n), 0.0)[1:]
    assert low < distance < high
    # the two one-sided 97.5 % bounds of the share are the two-sided 95 % of the distance
    narrow = share_below(of_sample(distance, 1.0, n), 0.0, 0.975)
    assert (narrow.upper, narrow.lower) == pytest.approx((ndtr(-low), ndtr(-high)), abs=1e-10)


def test_many_batches_of_one_level_tell_as_much_as_single_weights() -> None:
    rows = list(np.random.default_rng(2).normal(120, 2, (400, 4)))
    flat = np.concatenate(rows)
    grouped, single = batches_of(rows), of_sample(flat.mean(), flat.std(ddof=1), len(flat))
    assert grouped.sd == pytest.approx(single.sd, rel=0.01)
    assert tolerance_limit(grouped) == pytest.approx(tolerance_limit(single), abs=0.1)


def test_batches_that_differ_tell_less_than_as_many_single_weights() -> None:
    random = np.random.default_rng(3)
    rows = [random.normal(random.normal(120, 3), 0.5, 20) for _ in range(8)]
    flat = np.concatenate(rows)
    single = of_sample(flat.mean(), flat.std(ddof=1), len(flat))
    assert share_below(batches_of(rows), 112).upper > 2 * share_below(single, 112).upper


def test_exact_bounds_cover_as_often_as_they_say() -> None:
    random = np.random.default_rng(4)
    true = ndtr(-2.5)
    runs = 1000
    held = np.zeros(4)
    for sample in random.normal(2.5, 1, (runs, 8)):
        normal = of_sample(sample.mean(), sample.std(ddof=1), 8)
        share, sds = share_below(normal, 0.0), sds_above(normal, 0.0)
        held += [share.upper >= true, share.lower <= true, sds.lower <= 2.5 <= sds.upper,
                 ndtr(-(2.5 - tolerance_limit(normal, 0.9))) <= 0.1]  # fmt: skip
    four_errors = 4 * np.sqrt(0.95 * 0.05 / runs)
    assert held / runs == pytest.approx([0.95] * 4, abs=four_errors)


@pytest.mark.slow
@pytest.mark.parametrize("sizes", [[5] * 12, [3, 9, 5, 2, 8, 6, 4, 12, 5, 7]])
@pytest.mark.parametrize("between", [0.0, 0.5, 1.0, 2.0])
def test_with_batches_the_bound_that_protects_covers_as_often_as_it_says(sizes, between) -> None:
    random = np.random.default_rng(5)
    limit = -3 * np.hypot(between, 1)
    runs = 600
    above = below = 0
    for _ in range(runs):
        rows = [random.normal(random.normal(0, between), 1, n) for n in sizes]
        share = share_below(batches_of(rows), limit)
        above += share.upper >= ndtr(-3)
        below += share.lower <= ndtr(-3)
    error = np.sqrt(0.95 * 0.05 / runs)
    assert 0.95 - 4 * error < above / runs < 0.99  # the bound that protects
    assert below / runs > 0.91  # where batches hardly differ the other one is a little bold


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: of_sample(1.0, 1.0, 1), "two or more weights"),
        (lambda: of_sample(1.0, 0.0, 5), "that differ"),
        (lambda: batches_of([np.array([1.0, 2.0])]), "two or more batches"),
        (lambda: batches_of([np.array([1.0]), np.array([2.0])]), "got 2 batches, 2 weights"),
        (lambda: batches_of([np.array([1.0, 1.0]), np.array([2.0, 2.0])]), "weights that differ"),
        (lambda: batches_of([np.array([1.0, 2.0]), np.array([1.0, 2.0])]), "batches that differ"),
        (lambda: tolerance_limit(of_sample(1.0, 1.0, 5), coverage=1.0), "coverage is 1.0"),
        (lambda: tolerance_limit(of_sample(1.0, 1.0, 5), confidence=95), "confidence is 95"),
        (lambda: share_below(of_sample(1.0, 1.0, 5), 0.0, 0), "confidence is 0"),
        (lambda: sds_above(of_sample(1.0, 1.0, 5), 0.0, 1), "confidence is 1"),
    ],
)
def test_what_cannot_be_told_says_so(call, says) -> None:
    with pytest.raises(ValueError, match=says):
        call()
