"""Packages not weighed: which way they are predicted, and that each way does what it says."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import dblquad
from scipy.stats import norm, skew, t

from qa_tools.statistics.predicted import edge_chance, prediction, shapes

Array = NDArray[np.float64]


def drawn(values: Array, k: int = 50, group: list[object] | None = None) -> Array:
    found = prediction(values, 60, 400, np.random.default_rng(1), group)
    return found.draw(k, 4)


def sample(seed: int, n: int) -> Array:
    return np.random.default_rng(seed).normal(121, 2, n)


def method(values: Array) -> str:
    return prediction(values, 60, 10, np.random.default_rng(1)).method


def test_normal_fills_have_students_predictive_distribution() -> None:
    """x of the next package: mean + t sd root(1 + 1/n), n - 1 degrees of freedom."""
    values = sample(1, 8)
    found = drawn(values, 200)[:, :, 0].ravel()
    scale = values.std(ddof=1) * math.sqrt(1 + 1 / 8)
    for q in (0.025, 0.25, 0.5, 0.75, 0.975):
        expected = values.mean() + scale * t.ppf(q, 7)
        assert (found <= expected).mean() == pytest.approx(q, abs=0.006)


def odds(values: Array, side: int) -> float:
    return sum(shape.probability for shape in shapes(values) if shape.side == side)


def lopsided(rng: np.random.Generator, n: int, side: int, times: float = 3.0) -> Array:
    """Log-normal of sd 2 about 121, its threshold `times` sd from the mean (skewness 1.0 for 3)."""
    log_sd = math.sqrt(math.log1p(1 / times**2))
    far = np.exp(rng.normal(-(log_sd**2) / 2, log_sd, n)) - 1
    return np.asarray(121 + side * 2 * times * far)


def test_normal_fills_are_rarely_taken_for_sorted_ones() -> None:
    """About 1 in 100; 2,000 samples of each size."""
    rng = np.random.default_rng(20)
    for n in (20, 60):
        methods = [method(rng.normal(121, 2, n)) for _ in range(2000)]
        assert methods.count("weighed") <= 40


def test_shapes_are_as_probable_as_they_are_said_to_be() -> None:
    """
    3,000 samples of 30, half normal, half lopsided with the stated thresholds: of those said to be
    normal with some probability, about as many are (four standard errors and 0.02).
    """
    rng, said, were = np.random.default_rng(8), [], []
    for i in range(3000):
        times = (2.0, 4.0)[i // 4 % 2]
        values = rng.normal(121, 2, 30) if i % 2 else lopsided(rng, 30, i % 4 - 1, times)
        said.append(odds(values, 0))
        were.append(i % 2)
    for low in (0.0, 0.2, 0.4, 0.6):
        here = [k for k, p in enumerate(said) if low <= p < low + 0.2]
        assert len(here) > 100
        expected = np.mean([said[k] for k in here])
        error = math.sqrt(expected * (1 - expected) / len(here))
        assert np.mean([were[k] for k in here]) == pytest.approx(expected, abs=4 * error + 0.02)


def test_many_weighings_settle_the_shape() -> None:
    rng = np.random.default_rng(4)
    assert odds(rng.normal(121, 2, 1000), 0) > 0.8
    for side in (-1, 1):
        assert odds(lopsided(rng, 300, side), side) > 0.99


def test_the_odds_are_those_of_the_two_integrals() -> None:
    """One threshold against normal, both likelihoods integrated over mean and sd numerically."""
    values = np.random.default_rng(3).normal(0, 1, 20)
    found = shapes(values)
    a = next(s for s in found if s.side < 0)
    y = np.log(a.threshold - values)

    def normal(log_sd: float, mean: float) -> float:
        return float(np.exp(norm.logpdf(values, mean, math.exp(log_sd)).sum() + 28))

    def logs(log_sd: float, mean: float) -> float:
        # flat in the mean of the fills themselves: a step in the logs is e ** mean as wide
        return float(np.exp(norm.logpdf(y, mean, math.exp(log_sd)).sum() - y.sum() + mean + 28))

    sd = math.log(float(y.std()))
    one = dblquad(normal, -1.5, 1.5, -1.2, 1.2)[0]
    other = dblquad(logs, y.mean() - 1, y.mean() + 1, sd - 1, sd + 1.2)[0]
    assert a.probability / found[0].probability == pytest.approx(other / one / 4, rel=0.05)


@pytest.mark.parametrize("cut", [-1.0, -0.5])
def test_sorted_and_topped_up_fills_are_recognised(cut: float) -> None:
    """Light ones pulled, or topped up to a little over the cut; 60 of each, 100 times."""
    rng = np.random.default_rng(5)
    pulled, topped = 0, 0
    for _ in range(100):
        z = rng.standard_normal(400)
        kept = z[z > cut][:60]
        up = np.where(z < cut, cut + np.abs(rng.normal(0, 0.15, 400)), z)[:60]
        pulled += edge_chance(kept) < 0.05
        topped += edge_chance(up) < 0.05
    assert pulled >= 55
    assert topped >= 95


def test_a_sorted_fill_gets_no_packages_below_its_edge() -> None:
    z = sample(3, 300)
    values = z[z > 120][:80]
    found = prediction(values, 60, 50, np.random.default_rng(1))
    assert found.method == "weighed"
    assert "sorted or topped up" in found.why
    assert found.draw(20, 5).min() >= values.min()


@pytest.mark.parametrize("side, times, seed", [(-1, 3.0, 7), (1, 4.0, 0)])
def test_a_lopsided_fill_keeps_mean_sd_and_skewness(side: int, times: float, seed: int) -> None:
    values = lopsided(np.random.default_rng(seed), 400, side, times)
    found = prediction(values, 60, 400, np.random.default_rng(1))
    assert found.method == "averaged"
    assert f"a longer {'light' if side < 0 else 'heavy'} side 100 %" in found.why
    packages = found.draw(500, 4).ravel()
    assert packages.mean() == pytest.approx(values.mean(), abs=0.05)
    assert packages.std() == pytest.approx(values.std(), rel=0.05)
    assert skew(packages) == pytest.approx(side * (3 / times + 1 / times**3), rel=0.3)


def test_a_long_light_side_reaches_beyond_the_lightest() -> None:
    values = 125 - np.exp(np.random.default_rng(9).normal(0.3, 0.7, 60))
    assert drawn(values, 500).min() < values.min() - 1


def test_packages_of_one_loaf_are_alike() -> None:
    rng = np.random.default_rng(2)
    group = [f"L{i}" for i in range(20) for _ in range(9)]
    values = np.repeat(rng.normal(120, 2, 20), 9) + rng.normal(0, 1, 180)
    found = prediction(values, 900, 400, np.random.default_rng(1), group)
    assert found.method == "groups"
    packages = found.draw(40, 50)
    assert packages.std() == pytest.approx(math.sqrt(5), rel=0.2)
    # 100 other loaves: the mean of all that is left hardly differs from state to state by loaves
    assert packages.mean(axis=(1, 2)).std() == pytest.approx(2 / math.sqrt(20), rel=0.25)


def test_one_bar_a_loaf_is_a_plain_sample() -> None:
    assert prediction(sample(4, 12), 60, 10, np.random.default_rng(1), list(range(12))).method == (
        "normal"
    )


def test_what_says_nothing_is_refused() -> None:
    rng = np.random.default_rng(1)
    with pytest.raises(ValueError, match="at least two packages"):
        prediction(np.array([120.0]), 10, 10, rng)
    with pytest.raises(ValueError, match="one loaf or tray"):
        prediction(sample(1, 9), 10, 10, rng, ["A"] * 9)


def test_equal_weights_predict_the_same_again() -> None:
    assert (drawn(np.full(30, 120.0)) == 120.0).all()
