"""How often a chart cries wolf, and how soon it finds a shift: run lengths, without simulation."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Sequence
from functools import cache
from typing import Any, Final, NamedTuple, TypeVar

import numpy as np
import pandas as pd
from scipy.special import gammainccinv, gammaincinv, gammaln, ndtr, ndtri

from qa_tools.charts import kernels, moving
from qa_tools.charts.chains import Mixture, Runs, Single, Survival, TooRare
from qa_tools.charts.factors import FloatArray, constants, sd_mean
from qa_tools.charts.rules import Rule, parse
from qa_tools.charts.settings import check_above_0, check_sums, check_weight, is_number, is_whole

_SETTLED: Final = 2e-7  # two numbers of nodes agree, relatively: five digits and some to spare,
_ROUNDING: Final = 1e-15  # but for rounding, which grows with the run length
_AVERAGED: Final = 1e-6  # the same for nodes of the average over estimated limits
_SMOOTH: Final = (24, 48, 96, 192, 384)  # nodes of an integral over the whole range
_PIECES: Final = (6, 8, 11, 15, 20)  # nodes of each of its pieces
_NONE: Final = (0,)
# Nodes of the centre as estimated, and of sigma, which takes fewer.
_DRAWS: Final = ((17, 12), (24, 14), (34, 16), (48, 20), (68, 25), (96, 32), (136, 42))
_LEFT_OUT: Final = 1e-8  # chance of estimates beyond them, at either end
_NEVER: Final = 10**15
_Size = TypeVar("_Size")  # a number of nodes, or one for each of two integrals


class _Design(NamedTuple):
    """
    A chart with its design.

    ``at`` gives its runs for points with a mean and an sd (in sd of the plotted point as the limits
    have it) and a number of nodes. Limits s times as wide make its run length grow as
    exp(growth s²); ``caught``: but not for ever, as a lower limit rises with them. ``spread``: it
    plots a spread, and its shift is a ratio.
    """

    at: Callable[[float, float, int], Runs]
    sizes: tuple[int, ...]
    growth: float
    caught: bool = False
    spread: bool = False


def run_length(
    chart: str,
    shift: float | None = None,
    *,
    subgroups: int | None = None,
    n: int | None = None,
    **design: Any,
) -> float:
    """
    Average number of points until a chart signals, the signalling one included.

    With no shift: how often it cries wolf. With one: how soon it is found, present from the first
    point on.

    Parameters
    ----------
    chart : str
        "shewhart" (width=3.0, rules=(), sides=2): each point against its limits, and supplementary
        rules named by what they count, as "8 on a side" (see ``rule_prices``); width=inf: the
        rules alone.
        "range", "sd" (n, width=3.0): of subgroups of n readings.
        "mean_range", "mean_sd" (n, width=3.0): the mean chart with its spread chart beneath,
        whichever signals first.
        "individuals" (width=3.0): single readings with their moving range beneath.
        "ewma" (weight=0.2, width=3.0, sides=2): with its steady limits.
        "cusum" (k=0.5, h=5.0, head_start=0.0, sides=2): in sd.
        sides=1 watches upward alone, as ``side="high"`` of the chart (a weighted mean with a
        barrier at the target); with side="low" the shift has the other sign.
    shift : float, optional
        Of the mean, in standard deviations of the plotted point (of a mean of n: sd / sqrt(n));
        for "range" and "sd" the ratio of the standard deviation to its old one. None: no shift
        (0, or the ratio 1).
    subgroups : int, optional
        Limits estimated from so many subgroups of n readings, without shift: the average is also
        over what they may have turned out to be. The centre is the mean of all readings, sigma
        the pooled sd over c4; with n=1, for single readings, the mean moving range over d2, as
        the charts of single readings have it. None: limits known.
    n : int, optional
        Readings in a subgroup, where the chart or the estimation of its limits asks for them.

    Returns
    -------
    float
        Points. Exact for normal, independent readings to at least five digits; ``inf`` where
        limits estimated from so few have no finite average (the quantiles exist).

    Raises
    ------
    ValueError
        A chart, setting or rule that is none; a setting out of its range, or n where it has no say;
        a run length beyond 1,000,000,000 points, or one that cannot be stated to five digits;
        limits from fewer than two subgroups or twelve single readings.

    Notes
    -----
    Rules: Markov chain (Champ and Woodall 1987, Technometrics 29, 393-399); those that compare
    neighbours and the moving range: integral equation over the last point, piece by piece. EWMA
    and CUSUM: integral equation, Gauss-Legendre (Crowder 1987, Technometrics 29, 401-407; Lucas and
    Crosier 1982, Technometrics 24, 199-205). All from memory. Nodes are added until two numbers of
    them agree to 2e-7 of the value (1e-6 in the average over estimated limits). Limits alone, and
    rules that do not compare neighbours, are closed sums, ranges one integral of 256 nodes: exact
    to ten digits. What moving ranges say of sigma is exact to 1e-6 from 12 readings, 1e-8 from 16.

    Examples
    --------
    >>> round(run_length("shewhart"), 2), round(run_length("shewhart", 1.0), 2)
    (370.4, 43.89)
    >>> round(run_length("shewhart", rules=["2 of 3 beyond 2", "8 on a side"]), 2)
    122.05
    >>> round(run_length("cusum", 1.0, k=0.5, h=5), 3), round(run_length("ewma", 1.0), 3)
    (10.376, 10.836)
    >>> round(run_length("range", 1.5, n=5), 4)
    7.1975
    >>> round(run_length("shewhart", subgroups=25, n=5), 1)
    418.5
    """
    made, mean, sd = _made(chart, shift, n, subgroups, design)
    if subgroups is None:
        return _settled(lambda size: made.at(mean, sd, size).average(), made.sizes, _SETTLED)[0]
    growth = made.growth / sd**2
    decay = moving.decay(subgroups) if n == 1 else _decay(subgroups, n)
    if made.caught:
        growth = min(growth, decay / 2)
    if decay <= growth:
        return float("inf")
    nodes = _nodes(made, mean, sd)

    def average(size: tuple[int, int]) -> float:
        return _estimated(made, mean, sd, nodes, subgroups, n, size, growth).average()

    try:
        return _settled(average, _DRAWS, _AVERAGED)[0]
    except TooRare as error:
        raise TooRare(
            "limits estimated from so few vary so much that the average run length cannot be "
            "stated to five digits: more subgroups, or run_length_quantiles, will do"
        ) from error


def run_length_quantiles(
    chart: str,
    shift: float | None = None,
    *,
    q: float | Sequence[float] = (0.05, 0.25, 0.5, 0.75, 0.95),
    subgroups: int | None = None,
    n: int | None = None,
    **design: Any,
) -> pd.Series[int]:
    """
    By which point a share of all runs have signalled: how soon at best, mostly, at worst.

    Parameters
    ----------
    chart, shift, subgroups, n, **design
        As for ``run_length``.
    q : float or sequence of float
        Shares of runs, above 0 and below 1.

    Returns
    -------
    Series of int
        For each share the first point by which at least so many runs have signalled.

    Raises
    ------
    ValueError
        As ``run_length``; a share not between 0 and 1.

    Notes
    -----
    The chance of no signal is followed from point to point until it falls by the same factor, one
    point after another. Both sides of a CUSUM from those of each, by generating functions.

    Examples
    --------
    >>> run_length_quantiles("cusum", 1.0, k=0.5, h=5, q=[0.05, 0.5, 0.95]).tolist()
    [4, 9, 21]
    >>> run_length_quantiles("shewhart", q=[0.1, 0.5]).tolist()
    [39, 257]
    """
    shares = np.atleast_1d(np.asarray(q, dtype=object)).tolist()
    if not shares or not all(is_number(share) and 0 < share < 1 for share in shares):
        raise ValueError(f"shares of runs lie above 0 and below 1; got {q!r}")
    made, mean, sd = _made(chart, shift, n, subgroups, design)
    if subgroups is None:
        run_length(chart, shift, n=n, **design)  # refuses what is too rare to state
    nodes = _nodes(made, mean, sd)
    if subgroups is None:
        points = _points(made.at(mean, sd, nodes).survival(), shares)
    else:
        points = []
        for size in _DRAWS:
            before = points
            runs = _estimated(made, mean, sd, nodes, subgroups, n, size, 0.0)
            points = _points(runs.survival(), shares)
            if points == before:
                break
    return pd.Series(points, index=pd.Index(shares, name="share"), name="points")


def rule_prices(
    rules: str | Sequence[str], *, width: float = 3.0, a_year: float | None = None
) -> pd.DataFrame:
    """
    What each supplementary rule costs in false alarms, alone and beside the limits.

    Parameters
    ----------
    rules : str or sequence of str
        Named by what they count, any numbers: "8 on a side", "2 of 3 beyond 2" (on the same side),
        "6 rising or falling", "14 up and down" (by turns), "15 within 1", "8 outside 1" (in a row,
        on either side), "beyond 2.5". Distances in standard deviations of the plotted point.
    width : float
        Of the limits they stand beside.
    a_year : float, optional
        Points charted in a year.

    Returns
    -------
    DataFrame
        Indexed by rule, the limits first and "all together" last: ``pattern`` (in words), ``alone``
        and ``beside_limits`` (one false alarm in so many points), and with a_year
        ``false_alarms_a_year`` beside the limits.

    Raises
    ------
    ValueError
        As ``run_length``; a_year not above 0.

    Examples
    --------
    >>> prices = rule_prices(["8 on a side", "2 of 3 beyond 2"], a_year=250)
    >>> prices.round(1).drop(columns="pattern").rename_axis(None)
                     alone  beside_limits  false_alarms_a_year
    beyond 3         370.4          370.4                  0.7
    8 on a side      255.0          152.7                  1.6
    2 of 3 beyond 2  510.7          225.4                  1.1
    all together     122.1          122.1                  2.0
    """
    if a_year is not None:
        check_above_0(a_year=a_year)
    asked = parse(rules)
    limits = _limit(width)
    rows = [
        (
            rule.name,
            rule.says,
            alone(rule.name),
            run_length("shewhart", width=width, rules=[rule.name]),
        )
        for rule in dict.fromkeys([limits, *asked])
    ]
    together = run_length("shewhart", width=width, rules=[rule.name for rule in asked])
    rows.append(("all together", "any of these", together, together))
    table = pd.DataFrame(rows, columns=["rule", "pattern", "alone", "beside_limits"])
    if a_year is not None:
        table["false_alarms_a_year"] = a_year / table["beside_limits"]
    return table.set_index("rule")


@cache
def alone(rule: str) -> float:
    """Points to a false alarm of one rule by itself."""
    return run_length("shewhart", width=np.inf, rules=[rule])


def _shewhart(*, width: float = 3.0, rules: str | Sequence[str] = (), sides: int = 2) -> _Design:
    _sides(sides)
    asked = parse(rules)
    if not (width == np.inf and asked):
        asked = (_limit(width), *asked)
    growth = min(rule.growth for rule in asked)
    if len(asked) > 1 or asked[0].many > 1:
        sizes = _PIECES if any(rule.ordered for rule in asked) else _NONE
        return _Design(
            lambda mean, sd, nodes: kernels.ruled(asked, sides, mean, sd, nodes), sizes, growth
        )
    limit = asked[0].zones[0]
    return _Design(lambda mean, sd, _: Single(_beyond(limit, mean, sd, sides)), _NONE, growth)


def _range(*, n: int, width: float = 3.0) -> _Design:
    check_above_0(width=width)
    of = constants(n)
    low, high = max(0.0, of.d2 - width * of.d3), of.d2 + width * of.d3
    return _Design(
        lambda _, sd, __: Single(1 - kernels.range_within(low / sd, high / sd, n)),
        _NONE, high * high / 4, low > 0, spread=True,
    )  # fmt: skip


def _sd(*, n: int, width: float = 3.0) -> _Design:
    check_above_0(width=width)
    c4 = constants(n).c4
    reach = width * np.sqrt(1 - c4 * c4)
    low, high = max(0.0, c4 - reach), c4 + reach
    return _Design(
        lambda _, sd, __: Single(1 - kernels.sd_within(low / sd, high / sd, n)),
        _NONE, (n - 1) * high * high / 2, low > 0, spread=True,
    )  # fmt: skip


def _with(beneath: Callable[..., _Design]) -> Callable[..., _Design]:
    """The chart of means with the one beneath; mean and spread of normal readings are apart."""

    def both(*, n: int, width: float = 3.0) -> _Design:
        spread = beneath(n=n, width=width)

        def at(mean: float, sd: float, nodes: int) -> Runs:
            chance = _beyond(width, mean, sd, 2)
            return Single(chance + (1 - chance) / spread.at(mean, sd, nodes).average())

        return _Design(at, _NONE, min(width * width / 2, spread.growth), spread.caught)

    return both


def _individuals(*, width: float = 3.0) -> _Design:
    check_above_0(width=width)
    pair = constants(2)
    step = pair.d2 + width * pair.d3
    return _Design(
        lambda mean, sd, nodes: kernels.moving(width, step, mean, sd, nodes),
        _PIECES, min(width * width / 2, step * step / 4),
    )  # fmt: skip


def _ewma(*, weight: float = 0.2, width: float = 3.0, sides: int = 2) -> _Design:
    _sides(sides)
    check_above_0(width=width)
    check_weight(weight)
    return _Design(
        lambda mean, sd, nodes: kernels.weighted(weight, width, sides, mean, sd, nodes),
        _SMOOTH, width * width / 2,
    )  # fmt: skip


def _cusum(*, k: float = 0.5, h: float = 5.0, head_start: float = 0.0, sides: int = 2) -> _Design:
    _sides(sides)
    check_sums(k, h, head_start)
    if sides == 2 and head_start > h / 2 + k:
        raise ValueError(
            f"with a head start above h/2 + k ({h / 2 + k:g}) both sides may signal at once, and "
            f"their run lengths do not combine; got {head_start:g}. Half of h is usual; sides=1 "
            "takes any"
        )
    return _Design(
        lambda mean, sd, nodes: kernels.summed(k, h, head_start, sides, mean, sd, nodes),
        _SMOOTH, 2 * k * h,
    )  # fmt: skip


_CHARTS: Final[dict[str, Callable[..., _Design]]] = {
    "shewhart": _shewhart,
    "range": _range,
    "sd": _sd,
    "mean_range": _with(_range),
    "mean_sd": _with(_sd),
    "individuals": _individuals,
    "ewma": _ewma,
    "cusum": _cusum,
}


def _made(
    chart: str, shift: float | None, n: int | None, subgroups: int | None, design: dict[str, Any]
) -> tuple[_Design, float, float]:
    """The chart, and mean and sd of its points in those without shift."""
    if chart not in _CHARTS:
        raise ValueError(f"no run length for a chart called {chart!r}; there are {_list(_CHARTS)}")
    takes = list(inspect.signature(_CHARTS[chart]).parameters)
    if unknown := [name for name in design if name not in takes]:
        raise ValueError(
            f"the chart {chart!r} has no setting {unknown[0]!r}; its settings are {_list(takes)}"
        )
    if "n" in takes:
        if n is None:
            raise ValueError(f"the chart {chart!r} needs n, the readings in a subgroup: n=5")
        constants(n)
        design = {"n": n, **design}
    elif n is not None and subgroups is None:
        raise ValueError(
            f"n has no say in the chart {chart!r}, whose shift is in sd of the plotted point; it "
            "goes with subgroups, from which limits are estimated"
        )
    if subgroups is not None:
        if not is_whole(n) or n < 1:
            raise ValueError(f"limits from subgroups need n, the readings in each; got n={n!r}")
        if not is_whole(subgroups) or subgroups < 2:
            raise ValueError(f"limits are estimated from 2 subgroups or more; got {subgroups!r}")
        if n == 1 and subgroups < moving.FEWEST:
            raise ValueError(
                f"limits from fewer than {moving.FEWEST} single readings are too uncertain to speak"
                f" of; got {subgroups}"
            )
    made = _CHARTS[chart](**design)
    if made.spread:
        ratio = 1.0 if shift is None else shift
        if not (is_number(ratio) and ratio > 0):
            raise ValueError(
                f"the shift of a {chart} chart is the ratio of the sd to its old one, above 0: 1 "
                f"is no shift, 2 is twice the spread; got {shift!r}"
            )
        return made, 0.0, float(ratio)
    mean = 0.0 if shift is None else shift
    if not is_number(mean):
        raise ValueError(f"the shift is a number of standard deviations; got {shift!r}")
    return made, float(mean), 1.0


def _nodes(made: _Design, mean: float, sd: float) -> int:
    try:
        return _settled(lambda size: made.at(mean, sd, size).average(), made.sizes, _SETTLED)[1]
    except TooRare:
        return made.sizes[-1]


def _settled(
    value: Callable[[_Size], float], sizes: Sequence[_Size], tolerance: float
) -> tuple[float, _Size]:
    """The value once two numbers of nodes agree, and the larger number."""
    before = np.nan
    for size in sizes:
        try:
            now = value(size)
        except TooRare:
            if size == sizes[-1]:
                raise
            continue
        if len(sizes) == 1 or abs(now - before) <= (tolerance + _ROUNDING * now) * now:
            return now, size
        before = now
    raise TooRare(
        "the run length does not settle to five digits: the chart looks back over too many points. "
        "A larger weight or k, or a lower limit, will do"
    )


def _estimated(
    made: _Design,
    mean: float,
    sd: float,
    nodes: int,
    subgroups: int,
    n: int | None,
    size: tuple[int, int],
    growth: float,
) -> Mixture:
    """
    The chart with what its estimated centre and sigma may be, each with its weight.

    Equal steps, where both are likely and, for sigma, as far as it weighs once the run length
    grows with it; the integrand dies out at both ends, where equal steps converge fastest.
    """
    if n == 1:
        sigma, likely = moving.sigmas(subgroups, growth)
    else:
        sigma, likely = _pooled(subgroups, n, size[1], growth)
    centre, chances = np.array([0.0]), np.array([1.0])
    if not made.spread:
        reach = -float(ndtri(_LEFT_OUT))
        centre, step = np.linspace(-reach, reach, size[0], retstep=True)
        chances = step * np.exp(-(centre**2) / 2) / np.sqrt(2 * np.pi)
    # Limits s times as wide make the kernel of an integral as much narrower.
    needed = [
        next((size for size in made.sizes if size >= nodes * s / 1.5), made.sizes[-1])
        for s in sigma.tolist()
    ]
    return Mixture(
        np.outer(likely, chances).ravel(),
        [
            made.at((mean - off) / s, sd / s, nodes_here)
            for s, nodes_here in zip(sigma, needed, strict=True)
            for off in centre / np.sqrt(subgroups)
        ],
    )


def _pooled(
    subgroups: int, n: int | None, size: int, growth: float
) -> tuple[FloatArray, FloatArray]:
    """Pooled sd over c4, a chi variable, in true sigmas: values equally apart in log, chances."""
    degrees, decay = _degrees(subgroups, n), _decay(subgroups, n)
    low = np.log(gammaincinv(degrees / 2, _LEFT_OUT) / decay) / 2
    high = np.log(gammainccinv(degrees / 2, _LEFT_OUT) / (decay - growth)) / 2
    logs, step = np.linspace(low, high, size, retstep=True)
    sigma = np.exp(logs)
    log_density = degrees * logs - decay * sigma**2 + degrees / 2 * np.log(decay)
    return sigma, 2 * step * np.exp(log_density - gammaln(degrees / 2))


def _degrees(subgroups: int, n: int | None) -> int:
    return subgroups * ((n or 1) - 1)


def _decay(subgroups: int, n: int | None) -> float:
    """Sigma as estimated is s times the true one with a density that falls as exp(-decay s²)."""
    degrees = _degrees(subgroups, n)
    return degrees * float(sd_mean(np.array([degrees + 1]))[0]) ** 2 / 2


def _points(survival: Survival, shares: Sequence[float]) -> list[int]:
    """For each share the first point after which no more than the rest are without a signal."""
    found = []
    for share in shares:
        low, high = 0, 1
        while survival(np.array([high]))[0] > 1 - share:
            low, high = high, high * 2
            if high > _NEVER:
                raise ValueError(
                    f"a signal in {share:.0%} of runs takes more than {_NEVER:,} points"
                )
        while high - low > 1:
            middle = (low + high) // 2
            if survival(np.array([middle]))[0] > 1 - share:
                low = middle
            else:
                high = middle
        found.append(high)
    return found


def _limit(width: float) -> Rule:
    check_above_0(width=width)
    return parse(f"beyond {width:.12g}")[0]


def _beyond(width: float, mean: float, sd: float, sides: int) -> float:
    above = float(ndtr((mean - width) / sd))
    return above if sides == 1 else above + float(ndtr((-width - mean) / sd))


def _sides(sides: int) -> None:
    if sides not in (1, 2):
        raise ValueError(f"a chart has 1 side (upward) or 2; got sides={sides!r}")


def _list(names: Sequence[str] | dict[str, Any]) -> str:
    return ", ".join(f"'{name}'" for name in names)
