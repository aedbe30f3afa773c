"""Run lengths: against simulation, between charts, at the edges; bad input."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qa_tools.charts import (
    constants,
    ewma,
    kernels,
    moving,
    rule_prices,
    run_length,
    run_length_quantiles,
)
from qa_tools.charts.factors import sd_mean

# A simulated chart: standard normal draws, all runs at once and still going, a point at a time.
Signals = Callable[[np.ndarray], np.ndarray]


class Shewhart:
    """Limits and rules written out from their definitions, over the last points."""

    def __init__(self, width: float, *rules: str) -> None:
        self.width, self.rules, self.past = width, rules, None

    def __call__(self, z: np.ndarray) -> np.ndarray:
        new = z[:, np.newaxis]
        self.past = new if self.past is None else np.hstack([self.past, new])[:, -16:]
        signal = np.abs(z) > self.width
        for rule in self.rules:
            signal |= self.made(rule.split())
        return signal

    def keep(self, going: np.ndarray) -> None:
        self.past = self.past[going]

    def made(self, words: list[str]) -> np.ndarray:
        past, number = self.past, int(words[0])
        window = int(words[2]) if words[1] == "of" else number
        if past.shape[1] < window and words[1] != "of":
            return np.zeros(len(past), dtype=bool)
        last = past[:, -window:]
        steps = np.sign(np.diff(last, axis=1))
        zone = float(words[-1]) if words[-1].replace(".", "").isdigit() else 0.0
        match words[1:]:
            case ["on", *_]:
                return (last > 0).all(axis=1) | (last < 0).all(axis=1)
            case ["of", *_]:
                high, low = last > zone, last < -zone
                return ((high.sum(axis=1) >= number) & high[:, -1]) | (
                    (low.sum(axis=1) >= number) & low[:, -1]
                )
            case ["rising", *_]:
                return (steps > 0).all(axis=1) | (steps < 0).all(axis=1)
            case ["up", *_]:
                return (steps[:, 1:] == -steps[:, :-1]).all(axis=1)
            case ["within", _]:
                return (np.abs(last) < zone).all(axis=1)
            case ["outside", _]:
                return (np.abs(last) > zone).all(axis=1)
        raise AssertionError(words)


class Individuals:
    def __init__(self) -> None:
        pair = constants(2)
        self.step, self.before = pair.d2 + 3 * pair.d3, None

    def __call__(self, z: np.ndarray) -> np.ndarray:
        jump = 0 if self.before is None else np.abs(z - self.before)
        self.before = z
        return (np.abs(z) > 3) | (jump > self.step)

    def keep(self, going: np.ndarray) -> None:
        self.before = self.before[going]


class Ewma:
    def __init__(self, weight: float, width: float, sides: int = 2) -> None:
        self.weight, self.limit = weight, width * np.sqrt(weight / (2 - weight))
        self.barrier = 0.0 if sides == 1 else -np.inf
        self.level: Any = 0.0

    def __call__(self, z: np.ndarray) -> np.ndarray:
        level = (1 - self.weight) * self.level + self.weight * z
        self.level = np.maximum(self.barrier, level)
        return np.abs(self.level) > self.limit

    def keep(self, going: np.ndarray) -> None:
        self.level = self.level[going]


class Cusum:
    def __init__(self, k: float, h: float, start: float = 0.0, sides: int = 2) -> None:
        self.k, self.h, self.sides = k, h, sides
        self.high: Any = start
        self.low: Any = start

    def __call__(self, z: np.ndarray) -> np.ndarray:
        self.high = np.maximum(0, self.high + z - self.k)
        self.low = np.maximum(0, self.low - z - self.k)
        return (self.high > self.h) | ((self.low > self.h) & (self.sides == 2))

    def keep(self, going: np.ndarray) -> None:
        self.high, self.low = self.high[going], self.low[going]


class Spread:
    """Of subgroups of n; the draws handed over are not used, but their number is."""

    def __init__(self, what: str, n: int, ratio: float, seed: int) -> None:
        of = constants(n)
        self.what, self.n, self.ratio = what, n, ratio
        self.rng = np.random.default_rng(seed)
        centre, stray = (of.d2, of.d3) if what == "range" else (of.c4, np.sqrt(1 - of.c4**2))
        self.low, self.high = max(0, centre - 3 * stray), centre + 3 * stray

    def __call__(self, z: np.ndarray) -> np.ndarray:
        readings = self.ratio * self.rng.normal(size=(len(z), self.n))
        spread = np.ptp(readings, axis=1) if self.what == "range" else readings.std(axis=1, ddof=1)
        return (spread < self.low) | (spread > self.high)

    def keep(self, going: np.ndarray) -> None:
        pass


class Estimated:
    """Any chart with limits from a base period of its own in every run."""

    def __init__(self, chart: Any, subgroups: int, n: int, runs: int, seed: int) -> None:
        base = np.random.default_rng(seed).normal(size=(runs, subgroups, n))
        degrees = subgroups * (n - 1)
        unbias = np.sqrt(2 / degrees) * np.exp(
            float(np.sum(np.diff(_log_gammas(degrees))))
        )  # c4 of one more reading than degrees
        pooled = np.sqrt(base.var(axis=2, ddof=1).mean(axis=1)) / unbias
        self.chart, self.centre, self.sigma = chart, base.mean(axis=(1, 2)) * np.sqrt(n), pooled

    def __call__(self, z: np.ndarray) -> np.ndarray:
        return self.chart((z - self.centre) / self.sigma)

    def keep(self, going: np.ndarray) -> None:
        self.chart.keep(going)
        self.centre, self.sigma = self.centre[going], self.sigma[going]


class OfSingles:
    """Single readings with limits from their own mean and mean moving range."""

    def __init__(self, chart: Any, readings: int, runs: int, seed: int) -> None:
        base = np.random.default_rng(seed).normal(size=(runs, readings))
        self.chart, self.centre = chart, base.mean(axis=1)
        self.sigma = np.abs(np.diff(base, axis=1)).mean(axis=1) * np.sqrt(np.pi) / 2

    def __call__(self, z: np.ndarray) -> np.ndarray:
        return self.chart((z - self.centre) / self.sigma)

    def keep(self, going: np.ndarray) -> None:
        self.chart.keep(going)
        self.centre, self.sigma = self.centre[going], self.sigma[going]


def _log_gammas(degrees: int) -> list[float]:
    from math import lgamma

    return [lgamma(degrees / 2), lgamma((degrees + 1) / 2)]


def simulated(chart: Any, shift: float, runs: int, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    lengths: list[np.ndarray] = []
    going, point = runs, 0
    while going:
        point += 1
        signal = chart(rng.normal(shift, 1, going))
        lengths.append(np.full(int(signal.sum()), point))
        chart.keep(~signal)
        going -= int(signal.sum())
    return np.concatenate(lengths)


RUNS = 6000
ALL = ("2 of 3 beyond 2", "4 of 5 beyond 1", "8 on a side")
QUICK: list[tuple[Any, float, str, dict[str, Any]]] = [
    (lambda: Shewhart(3, *ALL), 0.5, "shewhart", {"rules": ALL}),
    (lambda: Shewhart(9, "5 rising or falling"), 0, "shewhart",
     {"width": np.inf, "rules": "5 rising or falling"}),
    (lambda: Cusum(0.5, 4, 2), 0.5, "cusum", {"h": 4, "head_start": 2}),
    (lambda: Ewma(0.2, 2.8), 0.5, "ewma", {"width": 2.8}),
    (lambda: Ewma(0.2, 2.8, 1), 0.5, "ewma", {"width": 2.8, "sides": 1}),
    (lambda: OfSingles(Shewhart(2), 30, RUNS, 77), 0.5, "shewhart",
     {"width": 2, "subgroups": 30, "n": 1}),
]  # fmt: skip
SLOW: list[tuple[Any, float, str, dict[str, Any]]] = [
    (lambda: Shewhart(3), 0, "shewhart", {}),
    (lambda: Shewhart(3, *ALL), 0, "shewhart", {"rules": ALL}),
    (lambda: Shewhart(3, "6 rising or falling"), 0, "shewhart", {"rules": "6 rising or falling"}),
    (lambda: Shewhart(3, "14 up and down", "15 within 1"), 0, "shewhart",
     {"rules": ["14 up and down", "15 within 1"]}),
    (lambda: Shewhart(3, "8 outside 1", "6 rising or falling"), 0.8, "shewhart",
     {"rules": ["8 outside 1", "6 rising or falling"]}),
    (lambda: Shewhart(2.5, "9 on a side", "4 up and down"), 0.3, "shewhart",
     {"width": 2.5, "rules": ["9 on a side", "4 up and down"]}),
    (lambda: Individuals(), 0, "individuals", {}),
    (lambda: Individuals(), 1.0, "individuals", {}),
    (lambda: Cusum(0.5, 5), 0, "cusum", {}),
    (lambda: Cusum(0.5, 5, 2.5), 0, "cusum", {"head_start": 2.5}),
    (lambda: Cusum(0.25, 7, 3, 1), 0.4, "cusum",
     {"k": 0.25, "h": 7, "head_start": 3, "sides": 1}),
    (lambda: Cusum(0, 9), 0, "cusum", {"k": 0, "h": 9}),
    (lambda: Ewma(0.2, 3), 0, "ewma", {}),
    (lambda: Ewma(0.05, 2.5), 0.3, "ewma", {"weight": 0.05, "width": 2.5}),
    (lambda: Ewma(0.2, 3, 1), 0, "ewma", {"sides": 1}),
    (lambda: Ewma(0.05, 2.5, 1), -0.1, "ewma", {"weight": 0.05, "width": 2.5, "sides": 1}),
    (lambda: Spread("range", 5, 1.0, 71), 1.0, "range", {"n": 5}),
    (lambda: Spread("sd", 8, 0.6, 72), 0.6, "sd", {"n": 8}),
    (lambda: Estimated(Shewhart(3), 25, 5, RUNS, 73), 0.5, "shewhart", {"subgroups": 25, "n": 5}),
    (lambda: Estimated(Shewhart(3, "8 on a side"), 20, 4, RUNS, 74), 0, "shewhart",
     {"rules": "8 on a side", "subgroups": 20, "n": 4}),
    (lambda: Estimated(Cusum(0.5, 4), 20, 5, RUNS, 75), 0.5, "cusum",
     {"h": 4, "subgroups": 20, "n": 5}),
    (lambda: OfSingles(Individuals(), 60, RUNS, 78), 0, "individuals",
     {"subgroups": 60, "n": 1}),
    (lambda: OfSingles(Cusum(0.5, 4), 100, RUNS, 79), 0.5, "cusum",
     {"h": 4, "subgroups": 100, "n": 1}),
    (lambda: Estimated(Ewma(0.2, 2.8), 20, 5, RUNS, 76), 0.5, "ewma",
     {"width": 2.8, "subgroups": 20, "n": 5}),
]  # fmt: skip


def agrees(case: tuple[Any, float, str, dict[str, Any]], seed: int, runs: int = RUNS) -> None:
    make, shift, chart, design = case
    drawn = simulated(make(), shift, runs, seed)
    error = drawn.std(ddof=1) / np.sqrt(runs)
    assert run_length(chart, shift, **design) == pytest.approx(drawn.mean(), abs=4 * error)
    found = run_length_quantiles(chart, shift, q=[0.1, 0.5, 0.9], **design)
    for share, point in found.items():
        margin = 4 * np.sqrt(share * (1 - share) / runs)
        assert (drawn <= point).mean() >= share - margin
        assert (drawn <= point - 1).mean() <= share + margin


@pytest.mark.parametrize("case", QUICK, ids=range(len(QUICK)))
def test_simulated_runs_agree(case) -> None:
    agrees(case, seed=4)


@pytest.mark.slow
@pytest.mark.parametrize("case", SLOW, ids=range(len(SLOW)))
def test_simulated_runs_of_many_designs_agree(case) -> None:
    agrees(case, seed=5)


@settings(max_examples=25)
@given(width=st.floats(1.5, 4), shift=st.floats(0, 3))
def test_a_weight_of_one_and_a_sum_without_memory_are_the_point_itself(width, shift) -> None:
    plain = run_length("shewhart", shift, width=width)
    assert run_length("ewma", shift, weight=1, width=width) == pytest.approx(plain, rel=1e-6)
    one = run_length("shewhart", shift, width=width, sides=1)
    assert run_length("ewma", shift, weight=1, width=width, sides=1) == pytest.approx(one, rel=1e-6)
    # A sum whose slack takes nearly all of a reading away adds nothing up.
    assert run_length("cusum", shift, k=width - 1e-7, h=1e-7, sides=1) == pytest.approx(
        one, rel=1e-5
    )


@settings(max_examples=25)
@given(
    shift=st.floats(0, 3),
    rules=st.sets(
        st.sampled_from(["8 on a side", "2 of 3 beyond 2", "4 of 5 beyond 1", "15 within 1"]),
        min_size=1,
    ),
)
def test_a_rule_more_never_makes_a_run_longer_and_direction_does_not_matter(shift, rules) -> None:
    names = sorted(rules)
    lengths = run_length("shewhart", shift, rules=names)
    assert lengths <= run_length("shewhart", shift, rules=names[1:]) + 1e-9
    assert lengths == pytest.approx(run_length("shewhart", -shift, rules=names[::-1]), rel=1e-9)


def test_the_average_is_what_the_quantiles_add_up_to() -> None:
    # The chance of no signal after n points, summed over n, is the average run length.
    shares = np.linspace(0.0005, 0.9995, 1000)
    for chart, shift, design in (
        ("cusum", 1.0, {"head_start": 2.5}),
        ("shewhart", 1.0, {"rules": ALL}),
        ("individuals", 1.0, {}),
        ("range", 1.5, {"n": 5}),
    ):
        points = run_length_quantiles(chart, shift, q=shares, **design)
        assert points.mean() == pytest.approx(run_length(chart, shift, **design), rel=0.01)


def test_eight_on_a_side_alone_is_two_to_the_eighth_less_one() -> None:
    assert run_length("shewhart", width=np.inf, rules="8 on a side") == pytest.approx(255)


def test_the_same_rule_twice_or_spaced_apart_is_one() -> None:
    twice = run_length("shewhart", rules=["8 on a side", " 8  on a side "])
    assert twice == run_length("shewhart", rules="8 on a side")


def test_a_mean_chart_with_its_spread_chart_signals_when_either_does() -> None:
    apart = [1 / run_length("shewhart"), 1 / run_length("range", n=5)]
    together = 1 / run_length("mean_range", n=5)
    assert together == pytest.approx(sum(apart) - apart[0] * apart[1])
    assert run_length("mean_sd", 1.0, n=5) < run_length("shewhart", 1.0)


def test_a_range_of_many_readings_is_as_exact_as_of_few() -> None:
    from scipy.integrate import quad
    from scipy.stats import norm

    def below(w: float, n: int) -> float:
        def smallest_at(x: float) -> float:
            return n * norm.pdf(x) * (norm.cdf(x + w) - norm.cdf(x)) ** (n - 1)

        return quad(smallest_at, -9, 9, limit=400, epsabs=1e-13, points=[-3, 0])[0]

    for n in (2, 5, 300):
        of = constants(n)
        low, high = max(0.0, of.d2 - 3 * of.d3), of.d2 + 3 * of.d3
        chance = 1 - below(high, n) + below(low, n)
        assert run_length("range", n=n) == pytest.approx(1 / chance, rel=1e-8)


def test_limits_from_more_and_more_subgroups_come_to_known_ones() -> None:
    for chart, design in (("shewhart", {}), ("range", {"n": 5}), ("cusum", {"h": 4})):
        many = {"n": 5, "subgroups": 200_000, **design}
        known = run_length(chart, **design)
        assert run_length(chart, **many) == pytest.approx(known, rel=2e-3)


def test_limits_from_too_few_have_no_average_but_quantiles() -> None:
    assert run_length("shewhart", subgroups=2, n=5) == np.inf
    assert run_length_quantiles("shewhart", subgroups=2, n=5, q=0.5).tolist() == [72]
    with pytest.raises(ValueError, match="more subgroups"):
        run_length("shewhart", subgroups=3, n=5)


def test_a_chart_that_adds_up_keeps_its_digits_with_limits_from_few() -> None:
    # Apart from the code: Gauss-Legendre over the centre and the pooled sd.
    from scipy.stats import chi, norm

    unbias = float(sd_mean(np.array([41]))[0])
    unit, weights = np.polynomial.legendre.leggauss(40)
    chis, likely = 7.25 + 5.25 * unit, 5.25 * weights * chi.pdf(7.25 + 5.25 * unit, 40)
    unit, weights = np.polynomial.legendre.leggauss(120)
    centres, chances = 6 * unit / np.sqrt(10), 6 * weights * norm.pdf(6 * unit)

    def known(centre: float, sigma: float) -> float:
        return kernels.weighted(0.13, 2.77, 2, -centre / sigma, 1 / sigma, 96).average(1e14)

    total = sum(
        share * sum(c * known(centre, sigma) for centre, c in zip(centres, chances, strict=True))
        for sigma, share in zip(chis / (unbias * np.sqrt(40)), likely, strict=True)
    )
    exact = run_length("ewma", weight=0.13, width=2.77, subgroups=10, n=5)
    assert exact == pytest.approx(total, rel=2e-6)


@pytest.mark.slow
def test_limits_of_single_readings_keep_their_digits_far_out() -> None:
    # Where sigma comes out twice as large the integral of the weighted mean needs more nodes.
    sigma, chance = moving.sigmas(50, 3.0)
    centres = np.linspace(-6, 6, 60) / np.sqrt(50)
    shares = np.exp(-25 * centres**2)
    total = 0.0
    for s, weight in zip(sigma.tolist(), chance.tolist(), strict=True):
        runs = [kernels.weighted(0.13, 2.77, 2, -c / s, 1 / s, 192).average(1e15) for c in centres]
        total += weight * float(shares @ runs / shares.sum())
    exact = run_length("ewma", weight=0.13, width=2.77, subgroups=50, n=1)
    assert exact == pytest.approx(total, rel=3e-6)


def test_a_far_shift_is_found_at_once_and_a_head_start_keeps_its_share() -> None:
    assert run_length("cusum", 12) == pytest.approx(1, abs=1e-9)
    assert run_length("ewma", 40) == pytest.approx(1, abs=1e-9)
    assert run_length("shewhart", 20, rules=ALL) == pytest.approx(1, abs=1e-9)
    assert run_length("cusum", -0.7, head_start=2) == pytest.approx(
        run_length("cusum", 0.7, head_start=2), rel=1e-9
    )


@settings(max_examples=25)
@given(weight=st.floats(0.05, 1), seed=st.integers(0, 1000), side=st.sampled_from(["high", "low"]))
def test_the_runs_of_a_weighted_mean_are_those_of_its_chart(weight, seed, side) -> None:
    values = np.random.default_rng(seed).normal(0.3 if side == "high" else -0.3, 1, 60)
    made = ewma(values, target=0, sd=1, weight=weight, width=2, side=side)
    runs = Ewma(weight, 2, 1)
    signals = [runs(np.array([value if side == "high" else -value])).item() for value in values]
    assert made.beyond.tolist() == signals


def test_a_small_weight_that_cannot_be_followed_is_said_to_be_so() -> None:
    with pytest.raises(ValueError, match="does not settle to five digits"):
        run_length("ewma", weight=0.0005)


def test_the_price_of_each_rule_stands_beside_it() -> None:
    prices = rule_prices(["8 on a side", "6 rising or falling"], a_year=500)
    assert prices.index.tolist() == [
        "beyond 3",
        "8 on a side",
        "6 rising or falling",
        "all together",
    ]
    assert prices.loc["8 on a side", "beside_limits"] == pytest.approx(152.73, abs=0.005)
    assert prices.loc["6 rising or falling", "alone"] == pytest.approx(421.5986, abs=1e-3)
    together = run_length("shewhart", rules=["8 on a side", "6 rising or falling"])
    assert prices.loc["all together", "false_alarms_a_year"] == pytest.approx(500 / together)


@pytest.mark.parametrize(
    ("chart", "shift", "design", "says"),
    [
        ("p chart", 0, {}, "there are 'shewhart', 'range'"),
        ("cusum", 0, {"weight": 0.2}, "no setting 'weight'; its settings are 'k', 'h'"),
        ("range", 1, {}, "needs n"),
        ("range", 1, {"n": 1}, "2 or more"),
        ("range", 0, {"n": 5}, "1 is no shift"),
        ("ewma", 0, {"weight": -0.2}, "above 0 and at most 1"),
        ("ewma", 0, {"width": 0}, "width is a number above 0"),
        ("ewma", np.nan, {}, "shift is a number"),
        ("ewma", "1", {}, "shift is a number of standard deviations; got '1'"),
        ("ewma", 0, {"width": "3"}, "width is a number above 0; got '3'"),
        ("shewhart", 0, {"width": np.inf}, "width is a number above 0"),
        ("shewhart", 0, {"width": 8}, "a lower limit"),
        ("shewhart", 0, {"rules": "eight in a row"}, "named by what they count"),
        ("shewhart", 0, {"rules": "3 of 2 beyond 1"}, "no more than the points"),
        ("shewhart", 0, {"rules": "2 of 3 beyond 0"}, "above 0"),
        ("shewhart", 0, {"rules": "15 of 30 beyond 1"}, "fewer points, will do"),
        ("shewhart", 0, {"width": np.inf, "rules": "30 of 30 beyond 3"}, "a lower limit"),
        ("shewhart", 0, {"sides": 3}, "1 side"),
        ("ewma", 0, {"sides": 0}, "1 side"),
        ("shewhart", 0, {"rules": None}, "named by what they count.*got None"),
        ("shewhart", 0, {"rules": 8}, "named by what they count.*got 8"),
        ("shewhart", 0, {"n": 5}, "n has no say"),
        ("shewhart", 0, {"subgroups": np.nan, "n": 5}, "2 subgroups or more; got nan"),
        ("shewhart", 0, {"subgroups": 25, "n": "5"}, "need n.*got n='5'"),
        ("shewhart", 0, {"subgroups": 25}, "need n"),
        ("shewhart", 0, {"subgroups": 1, "n": 5}, "2 subgroups or more"),
        ("individuals", 0, {"subgroups": 11, "n": 1}, "fewer than 12 single readings"),
        ("cusum", 0, {"k": -1}, "k is 0 or more"),
        ("cusum", 0, {"head_start": 5}, "head_start from 0 to below h"),
        ("cusum", 0, {"head_start": 4}, "Half of h is usual"),
        ("cusum", 0, {"h": 60}, "a lower limit"),
    ],
)
def test_a_design_that_cannot_be_says_what_would_work(chart, shift, design, says) -> None:
    for asked in (run_length, run_length_quantiles):
        with pytest.raises(ValueError, match=says):
            asked(chart, shift, **design)


def test_shares_of_runs_lie_between_none_and_all() -> None:
    for q in (1.0, "half", None, [], [0.5, np.nan]):
        with pytest.raises(ValueError, match="above 0 and below 1"):
            run_length_quantiles("shewhart", q=q)


@pytest.mark.parametrize("a_year", [0, -250, "250", np.nan])
def test_a_year_has_points(a_year: object) -> None:
    with pytest.raises(ValueError, match="a_year is a number above 0"):
        rule_prices("8 on a side", a_year=a_year)
