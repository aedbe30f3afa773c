"""Chances of a start: against closed forms and seeded simulation, for few and for many points."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import trapezoid
from scipy.stats import norm, t

from qa_tools.charts import bridges
from qa_tools.charts.bridges import Gains, chances, gains

away = st.lists(st.integers(-40, 40).map(lambda tenths: tenths / 10), min_size=1, max_size=8)


@given(values=away.filter(any), before=st.sampled_from([0.5, 12.0, np.inf]))
def test_a_gain_is_that_of_the_two_means_told_apart(values: list[float], before: float) -> None:
    y, sds = np.array(values), np.linspace(1, 2, len(values))
    information = 1 / sds**2
    found = gains(y, sds, before)
    for start in range(len(y)):
        late, early = information[start:], information[:start]
        level = 0.0 if np.isinf(before) else y[:start] @ early / (early.sum() + before)
        size = y[start:] @ late / late.sum() - level
        sd = np.sqrt(1 / late.sum() + 1 / (early.sum() + before))
        at = len(y) - 1 - start
        assert found.size[at] == pytest.approx(size, abs=1e-9)
        assert found.sd[at] == pytest.approx(sd)
        assert found.gain[at] == pytest.approx((size / sd) ** 2, abs=1e-9)


@pytest.mark.parametrize("freedom", [3.0, 7.0, 30.0, np.inf])
def test_one_point_strays_as_the_normal_or_t_curve_has_it(freedom: float) -> None:
    found = gains(np.array([4.2]), np.array([1.2]), 12 / 1.44)
    far = 4.2 / np.sqrt(1.44 + 1.44 / 12)
    chance = 2 * (norm.sf(far) if np.isinf(freedom) else t.sf(far, freedom))
    start, none = chances(found, freedom)
    assert none == pytest.approx(chance, rel=2e-3)
    assert start.tolist() == [1.0]


def test_two_points_of_known_level_stray_as_the_integral_has_it() -> None:
    # No gain above c: |last| < sqrt(c), |sum of both| < sqrt(2 c).
    found = gains(np.array([1.5, 1.4]), np.ones(2), np.inf)
    c = found.gain.max()
    x = np.linspace(-np.sqrt(c), np.sqrt(c), 200_001)
    inside = norm.pdf(x) * (norm.cdf(np.sqrt(2 * c) - x) - norm.cdf(-np.sqrt(2 * c) - x))
    assert chances(found, np.inf)[1] == pytest.approx(1 - trapezoid(inside, x), abs=1e-8)


def simulated(found: Gains, runs: int) -> np.ndarray:
    """The same chances by random walks, pinned at each start in turn."""
    rng = np.random.default_rng(20261101)
    times, total = found.weights, found.total
    left = 1 - times / total
    steps = rng.normal(size=(runs, len(times))) * np.sqrt(np.diff(times, prepend=0))
    walks = np.cumsum(steps, axis=1)
    if np.isfinite(total):
        end = walks[:, -1:] + rng.normal(size=(runs, 1)) * np.sqrt(total - times[-1])
        walks = walks - end * times / total
    seen = found.size / found.sd**2
    shares = []
    for at in range(len(times)):
        together = np.minimum(times, times[at]) * np.minimum(left, left[at])
        pinned = walks + (seen[at] - walks[:, [at]]) * together / together[at]
        gain = pinned**2 / (times * left)
        shares.append((gain >= found.gain.max() * (1 - 1e-12)).any(axis=1).mean())
    return np.array(shares)


@pytest.mark.parametrize("before", [np.inf, 12.0, 3.0])
def test_chances_are_those_of_simulated_walks(before: float) -> None:
    rng = np.random.default_rng(7)
    y = rng.normal(size=9)
    y[5:] += 1.4
    found = gains(y, np.array([1.0, 1.2, 0.6, 1.0, 1.0, 0.8, 1.0, 1.5, 1.0]), before)
    runs = 40_000
    exact, walked = chances(found, np.inf)[0], simulated(found, runs)
    assert np.abs(exact - walked).max() <= 4 * 0.5 / np.sqrt(runs)


def test_more_nodes_change_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    y = np.random.default_rng(3).normal(size=25)
    y[12:] += 1.5
    found = gains(y, np.ones(25), 15.0)
    coarse = chances(found, 14)
    nodes, weights = np.polynomial.legendre.leggauss(16)
    for name, value in (("_NODES", nodes), ("_WEIGHTS", weights), ("_DRAWS", 48)):
        monkeypatch.setattr(bridges, name, value)
    fine = chances(found, 14)
    assert coarse[0] == pytest.approx(fine[0], abs=1e-6)
    assert coarse[1] == pytest.approx(fine[1], abs=1e-6)


def test_a_gain_beyond_plenty_widens_the_set_at_most(monkeypatch: pytest.MonkeyPatch) -> None:
    y = np.random.default_rng(1).normal(size=20)
    y[8:] += 2.0
    found = gains(y, np.ones(20), np.inf)
    exact = chances(found, np.inf)[0]
    monkeypatch.setattr(bridges, "_PLENTY", 30.0)
    capped = chances(found, np.inf)[0]
    near = exact > 0.01
    assert (capped[near] >= exact[near]).all()


def test_a_slip_of_a_thousand_sd_is_dated_without_trouble() -> None:
    y = np.zeros(40)
    y[30:] = 1000.0
    start, none = chances(gains(y, np.ones(40), 20.0), 19)
    assert np.flatnonzero(start > 0.05).tolist() == [9]
    assert none < 1e-6
