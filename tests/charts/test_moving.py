"""Sigma from moving ranges: its moments in closed form, its distribution against simulation."""

import numpy as np
import pytest

from qa_tools.charts import run_length
from qa_tools.charts.chains import TooRare
from qa_tools.charts.moving import decay, sigmas

SLOW = pytest.mark.slow


@pytest.mark.parametrize(
    ("readings", "within"),
    [
        pytest.param(12, 1e-6, marks=SLOW),
        pytest.param(16, 1e-8, marks=SLOW),
        (25, 1e-9),
        pytest.param(100, 1e-9, marks=SLOW),
    ],
)
def test_moments_are_those_known_in_closed_form(readings: int, within: float) -> None:
    # Mean absolute difference 2/sqrt(pi), its variance 2 - 4/pi; neighbouring differences have
    # correlation -1/2, so covariance (4/pi)(sqrt(3)/2 + pi/12 - 1) where they have no sign.
    sigma, chance = sigmas(readings, 0.0)
    together = 4 / np.pi * (np.sqrt(3) / 2 + np.pi / 12 - 1)
    variance = (readings - 1) * (2 - 4 / np.pi) + 2 * (readings - 2) * together
    square = 1 + variance / ((readings - 1) ** 2 * 4 / np.pi)
    moments = [float(sigma**power @ chance) for power in (0, 1, 2)]
    assert moments == pytest.approx([1, 1, square], abs=within)


def test_it_lies_where_simulated_ranges_do() -> None:
    runs = 200_000
    moves = np.abs(np.diff(np.random.default_rng(41).normal(size=(runs, 25)), axis=1))
    drawn = moves.mean(axis=1) * np.sqrt(np.pi) / 2
    sigma, chance = sigmas(25, 0.0)
    for z in (-3.0, 2.0, 5.0):  # moments of every order at once
        exact = float(np.exp(z * sigma) @ chance)
        simulated = np.exp(z * drawn)
        assert exact == pytest.approx(simulated.mean(), abs=4 * simulated.std() / np.sqrt(runs))


@SLOW
def test_the_far_end_dies_out_as_stated() -> None:
    sigma, chance = sigmas(40, 3.0)
    density = chance / sigma
    ends = -np.log(density[-1] / density[-2]) / (sigma[-1] ** 2 - sigma[-2] ** 2)
    assert ends == pytest.approx(decay(40), rel=0.2)


def test_an_average_without_end_is_infinite() -> None:
    assert run_length("individuals", subgroups=20, n=1) == np.inf


@SLOW
def test_an_average_that_rests_on_wild_estimates_is_refused() -> None:
    with pytest.raises(TooRare):
        sigmas(30, 4.5)
    with pytest.raises(ValueError, match="run_length_quantiles, will do"):
        run_length("individuals", subgroups=30, n=1)
