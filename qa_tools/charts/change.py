"""Since when a level has been off, by how much, and whether it was one odd point alone."""

from __future__ import annotations

import difflib
import textwrap
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

import numpy as np
import pandas as pd

from qa_tools.charts.bridges import chances, gains
from qa_tools.charts.chart import ControlChart, plural
from qa_tools.charts.factors import FloatArray

Verdict: TypeAlias = Literal["lasting", "single", "open", "none"]

_DOUBT: Final = (
    0.05  # the start lies outside the interval, no shift is claimed, this often by chance
)
# The size at each start that 99 of 100 intervals hold, by 96 of 100: together 95 or more.
_START_DOUBT, _SIZE_DOUBT = 0.01, 0.04
# Twice the log of a likelihood ratio of 8, fairly strong evidence (Royall 1997, Statistical
# Evidence, from memory).
_PLAIN: Final = 2 * float(np.log(8))
_LINE: Final = 96  # characters a line, for a notebook
# Degrees of freedom a moving range is worth, by simulation (see FEWEST in chart.py).
_MOVING: Final = 0.64


@dataclass(frozen=True, eq=False, repr=False)
class Change:
    """
    Since when points have been off, and by how much.

    Attributes
    ----------
    verdict : str
        "lasting": the level has moved and stayed there; "single": one odd point, and those after
        it are back; "open": the points fit both; "none": they are as the base would have them.
    first, earliest, latest : str
        Label of the first point off, and of the points between which it lies in 95 of 100 cases
        (of a single odd point all are its own).
    level : float
        Where the points lie since then: their mean; of a single odd point its value.
    size, lower, upper : float
        How far that is off the level before, negative downward, with its 95 % interval.
    chance : float
        Chance that with no shift points stray as far as these, all at once or one alone.
    points, until : int, str
        Points looked at, those after the base, and the last of them.
    starts : DataFrame
        One row a start of a lasting shift: point, label, size, chance (that another start looks as
        good as the best does, were this the true one) and within (whether it is in the interval).
    each, unit, decimals : str, str, int
        As of the chart.
    """

    verdict: Verdict
    first: str
    earliest: str
    latest: str
    level: float
    size: float
    lower: float
    upper: float
    chance: float
    points: int
    until: str
    starts: pd.DataFrame
    each: str
    unit: str
    decimals: int

    def __repr__(self) -> str:
        by_chance = f"By chance alone points stray so far {_times(self.chance)}"
        return "\n".join([*textwrap.wrap(self.finding, _LINE), by_chance])

    @property
    def finding(self) -> str:
        """What has changed, in one line without a full stop."""
        if self.verdict == "none":
            many = f"{self.points} {plural(self.each or 'point')}" if self.points > 1 else "one"
            return f"No shift is shown: the {many} after the base may stray so far by chance"
        by = f"{self._shown(abs(self.size))} {self.unit}"
        ends = [self.lower, self.upper]
        if self.lower * self.upper > 0:
            ends = sorted(map(abs, ends))
        likely = f"(likely {self._shown(ends[0])} to {self._shown(ends[1])} {self.unit})"
        first = f"{self.each} {self.first}".strip()
        alone = self.verdict == "open" and self.first == self.until
        if self.verdict == "single" or alone:
            side = "below" if self.size < 0 else "above"
            off = f"{by} {side} the level before {likely}"
            named = f"{first[:1].upper()}{first[1:]}"
            return (
                f"{named} is the last, {off}: a single odd one or a shift that lasts, the next "
                "will tell"
                if alone
                else f"{named} is a single odd one, {off}: no lasting shift, those after it are "
                "back"
            )
        when = (
            f"{first}; no other start fits"
            if self.earliest == self.latest
            else f"about {first}, between {self.earliest} and {self.latest}"
        )
        doubt = "; or one of them is a single odd one: more will tell"
        return (
            f"The level has moved {'down' if self.size < 0 else 'up'} by {by} {likely} to "
            f"{self._shown(self.level)} {self.unit}, since {when}"
            f"{doubt if self.verdict == 'open' else ''}"
        )

    def _shown(self, value: float) -> str:
        return f"{value:z.{self.decimals}f}"


def since(chart: ControlChart, until: object = None) -> Change:
    """
    Since when has the level been off, by how much, and has it stayed there?

    Asked after a signal, of this chart or of another of the same points. One shift is dated: where
    something was put right since, name the last point before that as ``until``.

    Parameters
    ----------
    chart : ControlChart
        Of single readings, means, batch means, or a weighted mean; with a base, or with the target
        and sd given. Points after the base are looked at, those under the same limits as ``until``.
    until : label of a point, optional
        The last point to look at. Without it the last of the chart.

    Returns
    -------
    Change
        Prints as plain words.

    Raises
    ------
    ValueError
        No point after the base; limits set on all points; no such label; a chart of spreads or of
        cumulative sums.

    Notes
    -----
    The start: a likelihood-ratio set, exact in coverage for normal points of known sd, whatever the
    size of the shift (``bridges``; Worsley 1986, Biometrika 73, 91-104; Siegmund 1988,
    International Statistical Review 56, 31-48; from memory). With an estimated sd its chances are
    averaged over what the sd may be: by simulation, from bases of 6 to 20, 94 to 98 of 100 hold.
    Asked on the very day of the signal it is a little less sure: 92 to 96 of 100 (shifts of 1 to
    3 sd, found by ``cusum`` or three-sigma limits).

    The interval of the size takes in every start not ruled out at 1 in 100, at 96 % each: together
    95 or more of 100 hold. One odd point against a lasting shift by the ratio of their likelihoods,
    8 or more: by simulation, once they are told apart, wrong in 3 of 100 or fewer.

    Examples
    --------
    >>> from qa_tools.charts import individuals
    >>> weights = [50.2, 49.1, 50.9, 49.6, 50.4, 49.8, 50.7, 49.3, 50.1, 49.9, 50.6, 49.4]
    >>> since(individuals([*weights, 50.3, 49.7, 47.1, 46.2, 47.0], base=12))
    The level has moved down by 3.2 g (likely 1.3 to 4.9 g) to 46.8 g, since point 15; no other
    start fits
    By chance alone points stray so far about once in 300 times
    >>> since(individuals([*weights, 50.3, 45.1, 49.9, 50.4], base=12)).verdict
    'single'
    """
    rows = _rows(chart, until)
    after = rows[~rows["base"]]
    plotted = after["reading" if "reading" in after else "value"].to_numpy(dtype=np.float64)
    away = plotted - after["centre"].to_numpy()
    sds = _sds(chart, after)
    of_base = rows[rows["base"]]
    before = np.inf if _known(of_base) else float((1 / _sds(chart, of_base) ** 2).sum())
    freedom = _freedom(chart, of_base)
    found = gains(away, sds, before)
    start, none = chances(found, freedom)
    odd_gain = _odd_gains(away, sds, before)
    chance = min(1.0, 2 * min(none, _chance_of_odd(odd_gain, freedom)))  # two ways to stray
    squares = _total(away, sds, found.total)
    verdict: Verdict = (
        "none" if chance > _DOUBT else _verdict(found.gain, odd_gain, squares, freedom)
    )
    labels = after["label"].astype(str).to_numpy()
    best = len(away) - 1 - int(found.gain.argmax())
    starts = pd.DataFrame(
        {
            "point": after["point"].to_numpy(),
            "label": labels,
            "size": found.size[::-1],
            "chance": start[::-1],
            "within": start[::-1] > _DOUBT,
        }
    )
    if verdict == "single":
        best = int(odd_gain.argmax())
        within = labels[[best]]
        level, size = plotted[best], away[best]
        reach = _quantile(freedom, _DOUBT) * float(np.sqrt(sds[best] ** 2 + 1 / before))
        lower, upper = size - reach, size + reach
    else:
        within = labels[starts["within"]]
        level = np.average(plotted[best:], weights=1 / sds[best:] ** 2)
        size = starts["size"].iloc[best]
        reaches = _quantile(freedom, _SIZE_DOUBT) * found.sd
        held = start > _START_DOUBT
        lower, upper = (found.size - reaches)[held].min(), (found.size + reaches)[held].max()
    return Change(
        verdict=verdict,
        first=labels[best],
        earliest=within[0],
        latest=within[-1],
        level=float(level),
        size=float(size),
        lower=float(lower),
        upper=float(upper),
        chance=chance,
        points=len(after),
        until=labels[-1],
        starts=starts,
        each=chart.each,
        unit=chart.unit,
        decimals=chart.decimals,
    )


def _rows(chart: ControlChart, until: object) -> pd.DataFrame:
    """The base that the last point is judged by, and the points after it, up to the last."""
    points = chart.points
    if "high" in points or "low" in points:
        raise ValueError(
            "a cumulative sum carries over from point to point; ask charts.since of "
            "charts.ewma or charts.individuals of the same values"
        )
    if "reading" not in points and not np.allclose(
        points["upper"] - points["centre"], points["centre"] - points["lower"], rtol=1e-6
    ):
        raise ValueError(
            "charts.since dates a shift of the level, on a chart of readings or means; this is a "
            f"chart of the {chart.what}"
        )
    labels = points["label"].astype(str).tolist()
    stop = len(points)
    if until is not None:
        if str(until) not in labels:
            near = difflib.get_close_matches(str(until), labels, n=1)
            hint = f"is {near[0]} meant" if near else f"they run from {labels[0]} to {labels[-1]}"
            raise ValueError(f"no point is called {until}; {hint}")
        stop = len(labels) - labels[::-1].index(str(until))
    phases = [phase for phase in chart.phases if phase.points.start < stop]
    start = phases[-1].points.start if phases else 0
    # Points left out of the base for a known cause are neither base nor after it.
    ahead = start + phases[-1].base.stop if phases else stop if points["base"].any() else 0
    if ahead >= stop:
        raise ValueError(
            f"no point lies after the base, which ends at {labels[ahead - 1]}; set limits on the "
            'points before the shift, as in base=12 or base=charts.Base("B01", "B12")'
        )
    of_base = points.iloc[start:ahead]
    return pd.concat([of_base[of_base["base"]], points.iloc[ahead:stop]])


def _known(base: pd.DataFrame) -> bool:
    """Whether the level was given, rather than estimated from the base."""
    if base.empty:
        return True
    return "reading" in base and not np.isclose(base["reading"].mean(), base["centre"].iloc[0])


def _sds(chart: ControlChart, rows: pd.DataFrame) -> FloatArray:
    """Standard deviation of each plotted point, as the limits have it."""
    if "reading" in rows:
        return np.full(len(rows), chart.sigma)
    return ((rows["upper"] - rows["centre"]) / 3).to_numpy(dtype=np.float64)


def _freedom(chart: ControlChart, base: pd.DataFrame) -> float:
    """Degrees of freedom of the standard deviation; infinite where it was given."""
    if chart.behind is None:
        return float("inf")
    if chart.components is not None:
        return len(base) - 1.0
    if chart.spread is None or chart.spread.what.startswith("difference"):
        return _MOVING * (len(base) - 1)
    return float((base["n"] - 1).sum())


def _odd_gains(away: FloatArray, sds: FloatArray, before: float) -> FloatArray:
    """What it gains to take each point by itself for odd, against the level of all others."""
    information = 1 / sds**2
    others = before + information.sum() - information
    level = 0.0 if np.isinf(before) else (information @ away - information * away) / others
    return np.asarray((away - level) ** 2 / (sds**2 + 1 / others))


def _total(away: FloatArray, sds: FloatArray, total: float) -> float:
    """Squares about the level when nothing has moved, in squared sd."""
    information = 1 / sds**2
    return float(information @ away**2 - (information @ away) ** 2 / total)


def _verdict(lasting: FloatArray, odd: FloatArray, squares: float, freedom: float) -> Verdict:
    stays, alone = squares - lasting.max(), squares - odd.max()
    if np.isinf(freedom):
        lead = stays - alone
    else:
        lead = (freedom + len(odd)) * np.log((freedom + stays) / (freedom + alone))
    return "single" if lead >= _PLAIN else "lasting" if lead <= -_PLAIN else "open"


def _chance_of_odd(gain: FloatArray, freedom: float) -> float:
    """Chance, at most, that any of the points is off by as much as the oddest."""
    from scipy.special import ndtr, stdtr

    far = -float(np.sqrt(gain.max()))
    tail = ndtr(far) if np.isinf(freedom) else stdtr(freedom, far)
    return min(1.0, 2 * len(gain) * float(tail))


def _quantile(freedom: float, doubt: float) -> float:
    from scipy.special import ndtri, stdtrit

    share = 1 - doubt / 2
    return float(ndtri(share) if np.isinf(freedom) else stdtrit(freedom, share))


def _times(chance: float) -> str:
    """A chance in words."""
    if chance < 1e-6:
        return "less than once in a million times"
    if chance > 0.5:
        return "more often than not"
    return f"about once in {float(f'{1 / chance:.1g}'):,.0f} times"
