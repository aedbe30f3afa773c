"""Which chart finds a given shift in time without crying wolf too often, and its settings."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from qa_tools.charts.chains import RAREST, TooRare
from qa_tools.charts.run_length import run_length, run_length_quantiles
from qa_tools.charts.settings import check_above_0

if TYPE_CHECKING:
    import plotly.graph_objects as go

_WORDS: Final = {
    "shewhart": "each point against its limits",
    "ewma": "the weighted mean",
    "cusum": "the cumulative sum",
}
_CURVE: Final = 25
_MOST: Final = RAREST / 100  # points to a false alarm: limits are sought on both sides of it


@dataclass(frozen=True, eq=False, repr=False)
class Design:
    """
    A chart for a task, and the others beside it.

    Attributes
    ----------
    chart : str
        "shewhart" where that finds the shift in time, else whichever finds it sooner of "cusum"
        and "ewma".
    designs : dict
        For each chart its settings, distances in sd, as ``run_length`` takes them.
    shift, within, every : float
        The task: shift in sd, points to find it in on average, points to a false alarm.
    estimated_from : str
        What limits are estimated from, in words; "" where they are known.
    table : DataFrame
        One row a chart: ``settings`` (in words), ``every`` (points to a false alarm), ``found_in``
        (points to find the shift, on average), ``found_mostly`` (in 95 of 100 cases), ``meets``,
        and where subgroups was given ``every_estimated`` and ``found_estimated``, the same
        averages with limits estimated from so many (inf where they vary too much for an average).
    half : tuple of int
        Points within which half of the false alarms of the chart that serves come: with limits
        known, and as estimated; none where subgroups was not given.

    Examples
    --------
    >>> design(1.5, sd=1.5, within=11, every=370)
    The weighted mean (weight 0.13, width 2.77) finds a shift of 1 sd in 9.6 points on average,
    within 19 in 95 of 100 cases; one false alarm in 373 points
    """

    chart: str
    designs: dict[str, dict[str, Any]]
    shift: float
    within: float
    every: float
    table: pd.DataFrame
    estimated_from: str = ""
    half: tuple[int, ...] = ()

    @property
    def settings(self) -> dict[str, Any]:
        """Settings of the chart that serves."""
        return self.designs[self.chart]

    def curves(self) -> pd.DataFrame:
        """Average run length of each chart (column) at shifts (index, in sd) up to twice."""
        shifts = np.linspace(0, 2 * self.shift, _CURVE)
        return pd.DataFrame(
            {
                name: [run_length(name, shift, **settings) for shift in shifts]
                for name, settings in self.designs.items()
            },
            index=pd.Index(shifts, name="shift"),
        )

    def figure(self) -> go.Figure:
        """Run-length curves of the charts as a plotly figure; the title says which serves."""
        from qa_tools.pictures.run_lengths import run_length_curves

        curves = self.curves()
        return run_length_curves(
            curves.index,
            {_WORDS[str(name)]: curves[name] for name in curves},
            repr(self).splitlines()[0],
            shift=self.shift,
            within=self.within,
            every=self.every,
        )

    def __repr__(self) -> str:
        row = self.table.loc[self.chart]
        words = _WORDS[self.chart]
        found = f"{row['found_in']:.3g} points on average, within {row['found_mostly']}"
        lines = [
            f"{words[0].upper()}{words[1:]} ({row['settings']}) finds a shift of "
            f"{self.shift:.3g} sd in {found} in 95 of 100 cases; one false alarm in "
            f"{row['every']:,.0f} points"
        ]
        if self.estimated_from:
            known, estimated = self.half
            often, found_in = row["every_estimated"], row["found_estimated"]
            alarm = "no average can be stated"
            if np.isfinite(often):
                alarm = f"one false alarm in {often:,.0f} points on average"
            soon = f"{found_in:.3g}" if np.isfinite(found_in) else "more than can be averaged"
            lines.append(
                f"With limits estimated from {self.estimated_from}: {alarm}, half of the false "
                f"alarms within {estimated:,} ({known:,} with limits known); the shift found in "
                f"{soon}"
            )
        return "\n".join(lines)


def design(
    shift: float,
    *,
    sd: float,
    within: float,
    every: float,
    sides: int = 2,
    subgroups: int | None = None,
    n: int | None = None,
) -> Design:
    """
    Find a shift within so many points, with at most one false alarm in so many: which chart?

    Parameters
    ----------
    shift : float
        To be found, in the unit of the readings: grams.
    sd : float
        Standard deviation of one plotted point; of means of n, that of a reading over sqrt(n).
    within : float
        Points in which it is to be found on average.
    every : float
        Points to a false alarm, at least, on average.
    sides : int
        2, or 1 for a shift to the one side that matters, up or down.
    subgroups, n : int, optional
        Also say what limits estimated from so many subgroups of n do to both figures.

    Returns
    -------
    Design
        The chart that serves, its settings rounded so that the false alarms hold; exact figures
        for it and the others.

    Raises
    ------
    ValueError
        No chart can; the message says what shift could be found, and how many readings a point
        would make it so. A shift too small, or false alarms too rare, to follow; a number out of
        its range.

    Notes
    -----
    The cumulative sum with k half the shift finds it soonest for its rate of false alarms
    (Moustakides 1986, Annals of Statistics 14, 1379-1387); the weight of the mean is the best of
    its kind. Figures by ``run_length``.

    Examples
    --------
    >>> design(3, sd=1, within=2.5, every=370).table[["settings", "every", "found_in"]].round(2)
                          settings   every  found_in
    shewhart               width 3  370.40      2.00
    cusum            k 1.5, h 1.61  376.34      1.73
    ewma      weight 0.71, width 3  376.29      1.79
    """
    check_above_0(shift=shift, sd=sd, within=within, every=every)
    if not 1 < within < every:
        raise ValueError(
            f"within is above 1 point and below every, the points to a false alarm; got {within} "
            f"and {every}"
        )
    if n is not None and subgroups is None:
        raise ValueError(
            "n is the readings in each subgroup limits are estimated from: say from how many "
            "subgroups too, or leave n out"
        )
    if every > _MOST:
        raise ValueError(
            f"every is at most {_MOST:,.0f}, as run lengths beyond cannot be stated; got {every:g}"
        )
    far = shift / sd
    try:
        designs = _designs(far, every, sides)
        rows = {name: _row(name, settings, far, within) for name, settings in designs.items()}
    except TooRare as error:
        raise ValueError(
            f"a shift of {far:.3g} sd is too small to follow to one false alarm in {every:,.0f} "
            "points: plot means of more readings, for which it is a larger shift, or allow more "
            "false alarms"
        ) from error
    if subgroups is not None:
        for name, settings in designs.items():
            estimated: dict[str, Any] = {"subgroups": subgroups, "n": n, **settings}
            rows[name]["every_estimated"] = _average(name, None, estimated)
            rows[name]["found_estimated"] = _average(name, far, estimated)
    table = pd.DataFrame.from_dict(rows, orient="index")
    best = str(table["found_in"].idxmin())
    if not rows[best]["meets"]:
        raise ValueError(_cannot(far, within, every, sides, sd, rows[best]["found_in"]))
    chosen = "shewhart" if rows["shewhart"]["meets"] else best
    if subgroups is None:
        return Design(chosen, designs, far, within, every, table)
    half = tuple(
        int(run_length_quantiles(chosen, q=0.5, **base, **designs[chosen]).iloc[0])
        for base in ({}, {"subgroups": subgroups, "n": n})
    )
    estimated_from = f"{subgroups} subgroups of {n}" if n != 1 else f"{subgroups} single readings"
    return Design(chosen, designs, far, within, every, table, estimated_from, half)


def _row(chart: str, settings: dict[str, Any], shift: float, within: float) -> dict[str, Any]:
    """What a chart does, with limits known."""
    found_in = run_length(chart, shift, **settings)
    return {
        "settings": ", ".join(f"{key} {value:g}" for key, value in settings.items()),
        "every": run_length(chart, **settings),
        "found_in": found_in,
        "found_mostly": int(run_length_quantiles(chart, shift, q=0.95, **settings).iloc[0]),
        "meets": found_in <= within,
    }


def _average(chart: str, shift: float | None, settings: dict[str, Any]) -> float:
    """The run length with limits as estimated, inf where they vary too much for an average."""
    try:
        return run_length(chart, shift, **settings)
    except TooRare:
        return np.inf


def _designs(shift: float, every: float, sides: int) -> dict[str, dict[str, Any]]:
    """Settings of each chart, limits rounded outward."""
    one: dict[str, Any] = {"sides": 1} if sides == 1 else {}
    width = _width(every, sides)
    k = max(0.01, round(_slack(shift, width), 2))
    weight = _best_weight(shift, every, sides)
    return {
        "shewhart": {"width": width, **one},
        "cusum": {"k": k, "h": _cusum_h(k, every, sides), **one},
        "ewma": {"weight": weight, "width": _ewma_width(weight, every, sides), **one},
    }


def _width(every: float, sides: int) -> float:
    return _limit(lambda width: run_length("shewhart", width=width, sides=sides), every)


def _slack(shift: float, width: float) -> float:
    """Half the shift, but short of the limit of single points, where nothing is left to add up."""
    return min(shift / 2, width - 0.01)


def _cusum_h(k: float, every: float, sides: int) -> float:
    return _limit(lambda h: run_length("cusum", k=k, h=h, sides=sides), every)


def _ewma_width(weight: float, every: float, sides: int) -> float:
    return _limit(lambda width: run_length("ewma", weight=weight, width=width, sides=sides), every)


def _best_weight(shift: float, every: float, sides: int) -> float:
    from scipy.optimize import minimize_scalar

    def found_in(weight: float) -> float:
        width = _ewma_width(weight, every, sides)
        return run_length("ewma", shift, weight=weight, width=width, sides=sides)

    best = minimize_scalar(found_in, bounds=(0.02, 1), method="bounded", options={"xatol": 0.005})
    return round(float(best.x), 2)


def _limit(every_at: Callable[[float], float], every: float) -> float:
    """The smallest limit, to a hundredth, with no more than one false alarm in so many points."""
    from scipy.optimize import brentq

    def over(limit: float) -> float:
        try:
            return float(np.log(every_at(limit) / every))
        except TooRare:
            return float(np.log(RAREST / every))

    low, high = 0.01, 1.0
    if over(low) >= 0:
        return low
    while over(high) < 0:
        low, high = high, high * 1.5
    exact = brentq(over, low, high, xtol=1e-6)
    return float(np.ceil(exact * 100 - 1e-4) / 100)


def _cannot(shift: float, within: float, every: float, sides: int, sd: float, best: float) -> str:
    """What would work: the shift that is found in time, and how many readings a point it takes."""
    from scipy.optimize import brentq

    width = _width(every, sides)

    def over(candidate: float) -> float:
        k = _slack(candidate, width)
        h = _cusum_h(k, every, sides)
        return run_length("cusum", candidate, k=k, h=h, sides=sides) - within

    high = 2 * shift
    while over(high) > 0:
        high *= 2
    able = float(brentq(over, shift, high, xtol=0.005)) * 1.005
    readings = int(np.ceil((able / shift) ** 2))
    return (
        f"no chart finds a shift of {shift:.3g} sd in {within:g} points with one false alarm in "
        f"{every:g}: the best needs {best:.3g} on average. A shift of {able * sd:.3g} ({able:.3g} "
        f"sd) can be found so soon; or plot means of {readings} times as many readings; or allow "
        "more points, or more false alarms"
    )
