"""A control chart as numbers: its points, its limits, and the points that signal, in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from qa_tools.charts.factors import FloatArray, IntArray
from qa_tools.statistics.components import Components

if TYPE_CHECKING:
    import plotly.graph_objects as go

    from qa_tools.charts.phases import Phase

# Below this many points the limits are too uncertain to speak of. Seeded simulation (200,000 runs
# of normal readings): from 12 the moving range puts sigma anywhere between 0.6 and 1.5 times the
# truth (9 runs in 10), as if from 7 degrees of freedom (0.64 a range), and 1.9 % of the points
# that follow fall outside by chance, where three sigma promise 0.27 %; from 6 it is 4.5 %.
FEWEST: Final = 12


@dataclass(frozen=True, eq=False, repr=False)
class ControlChart:
    """
    A control chart: are these points what the process itself would give?

    Attributes
    ----------
    what : str
        What is plotted: "mean", "range", "standard deviation", "reading", "difference from the
        batch before" (the moving range).
    points : DataFrame
        One row a point: point (counted from 1), label, n (readings behind it), value, centre,
        lower, upper (in the unit of the readings; NaN on a side that is not watched), base
        (whether limits are set on it), reason (where the point signals: by how much or by which
        pattern, and what to look for; else "").
    sigma : float
        Standard deviation of one reading within a subgroup, as the limits (the last ones) use it.
    unit : str
        Unit of the readings, for words and pictures.
    each : str
        What a point is called: "batch", "day"; "" where the labels say it themselves.
    basis : str
        What the limits come from, in plain words, the estimate behind it in brackets.
    behind : int or None
        Points the limits rest on; None where they were given. From fewer than 12, ``.finding``
        does not say that points lie within them.
    spread : ControlChart or None
        The chart of the spread beneath. Points without a spread (one reading, the first of a
        moving range) have no row there.
    components : Components or None
        Spread between and within batches, from ``batch_means``.
    note : str
        What else to know of the chart, in plain words.
    phases : tuple of Phase
        Points judged by the same limits, where base periods were named.
    patterns : DataFrame or None
        Of a chart ``with_rules``: one row a rule and point that completes its pattern: point,
        label, rule, since and since_label (where the pattern begins), what (in words), chance_in
        (by chance the rule alone signals once in so many points), reason.

    Examples
    --------
    >>> from qa_tools.charts import individuals
    >>> chart = individuals([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    >>> chart
    10 points so far: too few to trust the limits, shown for orientation
    Centre 50.81 g, limits 45.82 to 55.80 g; sd of one reading 1.66 g
    Limits from how much one point differs from the next (mean moving range over d2)
    10 points so far: too few to trust the limits, shown for orientation
    Centre 1.88 g, limits 0.00 to 6.13 g
    >>> round(chart.upper, 4), chart.spread.points["point"].tolist()
    (55.8024, [2, 3, 4, 5, 6, 7, 8, 9, 10])
    """

    what: str
    points: pd.DataFrame
    sigma: float
    unit: str
    each: str
    basis: str
    behind: int | None = None
    spread: ControlChart | None = None
    components: Components | None = None
    note: str = ""
    phases: tuple[Phase, ...] = ()
    patterns: pd.DataFrame | None = None

    @property
    def few(self) -> bool:
        """Whether the limits rest on too few points to be trusted."""
        return self.behind is not None and self.behind < FEWEST

    @property
    def centre(self) -> float | FloatArray:
        """Centre line: a float where every point has the same, else an array, one a point."""
        return self._level("centre")

    @property
    def lower(self) -> float | FloatArray:
        """Lower limit: a float where every point has the same, else an array, one a point."""
        return self._level("lower")

    @property
    def upper(self) -> float | FloatArray:
        """Upper limit: a float where every point has the same, else an array, one a point."""
        return self._level("upper")

    @property
    def signals(self) -> pd.DataFrame:
        """The rows of ``points`` that signal, each with its reason."""
        return self.points[self.points["reason"] != ""]

    @property
    def decimals(self) -> int:
        """Decimals worth showing: a step between a thirtieth and a third of a point's own sd."""
        return _decimals(self.points)

    @property
    def finding(self) -> str:
        """What the chart shows, in one line without a full stop."""
        signals = self.signals
        from_few = f"{self.behind} {plural(self.each or self.what)}"
        few = (
            f"limits from only {from_few}: too few to trust them"
            if self.phases
            else f"{from_few} so far: too few to trust the limits"
        )
        if not signals.empty:
            return f"{self._signalled()} ({few})" if self.few else self._signalled()
        if self.few:
            return f"{few[:1].upper()}{few[1:]}, shown for orientation"
        return self._all_within() + ("" if self.patterns is None else " and make no pattern")

    @property
    def beyond(self) -> pd.Series[bool]:
        """For each point whether it lies beyond a limit."""
        rows = self.points
        return (rows["value"] > rows["upper"]) | (rows["value"] < rows["lower"])

    def with_rules(self, rules: str | Sequence[str]) -> ControlChart:
        """
        The same chart, its points judged by supplementary run rules too.

        Do points make a pattern, though each lies within the limits? Every rule costs false
        alarms: ``.note`` says how many, ``charts.rule_prices`` which rule costs what.

        Parameters
        ----------
        rules : str or sequence of str
            Named by what they count, any numbers: "8 on a side", "2 of 3 beyond 2" (on the same
            side), "6 rising or falling", "14 up and down" (by turns), "15 within 1", "8 outside 1"
            (in a row, on either side), "beyond 2.5". Distances in standard deviations of the
            plotted point, a third of the way to the limit.

        Returns
        -------
        ControlChart
            Points that complete a pattern signal too, with its reason; the patterns one by one are
            in ``.patterns``. None runs on across new limits. The chart of the spread stays as it
            is.

        Raises
        ------
        ValueError
            A rule that is none; a chart of a weighted mean, a sum or a spread; a chart that has its
            rules already.

        Notes
        -----
        ISO 7870-2, number-free; the prices by ``run_length``.

        Examples
        --------
        >>> from qa_tools.charts import individuals
        >>> level = [0.3, -0.9, 0.6, -0.5, 0.4, -0.3, 0.6, -0.2, 0.5, -0.4]
        >>> low = [-0.4, -0.2, -0.5, -0.3, -0.6, -0.2, -0.4]
        >>> chart = individuals([*level, *low], base=10).with_rules("8 on a side")
        >>> print(chart.finding)
        All 17 readings lie within the limits, but there is a pattern from point 10 to 17: 8 points
        in a row on one side of the centre, here below (limits from only 10 points: too few to trust
        them)
        >>> chart.signals["point"].tolist(), round(chart.patterns.loc[0, "chance_in"])
        ([17], 255)
        """
        from qa_tools.charts.patterns import patterns, price

        if self.patterns is not None:
            raise ValueError("this chart has its run rules already; give all of them in one call")
        if self.spread is None:
            raise ValueError(
                "run rules are for charts of means, batch means or single readings. Points of a "
                "weighted mean or a sum carry over from one to the next, and have their own limit "
                f"instead; those of a spread lie unevenly about the centre. This is a {self.what}"
            )
        parts = [phase.points for phase in self.phases] or [slice(None)]
        each = [patterns(self.points.iloc[part], rules, each=self.each) for part in parts]
        some = [found for found in each if not found.empty] or each[:1]
        found = pd.concat(some, ignore_index=True)
        reasons = dict(zip(self.points["point"], self.points["reason"], strict=True))
        for point, reason in zip(found["point"], found["reason"], strict=True):
            reasons[point] = "; ".join(filter(None, [reasons[point], reason + _doubt(self.behind)]))
        points = self.points.assign(reason=list(reasons.values()))
        note = f"{self.note} {price(rules)}".strip()
        return replace(self, points=points, note=note, patterns=found)

    def _all_within(self) -> str:
        return f"All {len(self.points)} {plural(self.what)} lie within the limits"

    def _signalled(self) -> str:
        """What signals: points beyond the limits, then patterns of points within them."""
        outside = self._outside() if self.beyond.any() else ""
        within = self.points.loc[~self.beyond & (self.points["reason"] != ""), "point"]
        if self.patterns is None or within.empty:
            return outside
        made = self.patterns[self.patterns["point"].isin(within)]
        first = made.iloc[0]
        name = f"{self.each} {first['since_label']}".strip()
        where = (
            f"at {name}" if first["since"] == first["point"] else f"from {name} to {first['label']}"
        )
        which = (
            f"there is a pattern {where}"
            if len(within) == 1
            else f"{len(within)} points complete a pattern, the first {where}"
        )
        joined = f"{outside}; and" if outside else f"{self._all_within()}, but"
        return f"{joined} {which}: {first['what']}"

    def _outside(self) -> str:
        total, signals = len(self.points), self.points[self.beyond]
        many = plural(self.what)
        names = [str(label) for label in signals["label"]]
        if len(signals) > 1:
            listed = ", ".join(names)
            which = (
                f" ({f'{self.each} {listed}'.strip()})"
                if len(listed) <= 60
                else f", the first at {f'{self.each} {names[0]}'.strip()}"
            )
            return f"{len(signals)} of {total} {many} lie outside the limits{which}"
        row = signals.iloc[0]
        above = row["value"] > row["upper"]
        value, limit = _told_apart(
            row["value"], row["upper"] if above else row["lower"], self.decimals
        )
        name = f"{self.each} {names[0]}".strip()
        return (
            f"{name[:1].upper()}{name[1:]} stands {'above' if above else 'below'} the limit: "
            f"{self.what} {value} {self.unit} against {limit} {self.unit}"
        )

    def figure(self) -> go.Figure:
        """The chart as a plotly figure, its spread beneath; the title says what it shows."""
        from qa_tools.pictures.charts import control_chart

        return control_chart(self)

    def shares_figure(self) -> go.Figure:
        """Of ``batch_means``: how much batches differ and how much readings of one batch do."""
        from qa_tools.pictures.charts import between_and_within

        return between_and_within(self)

    def __repr__(self) -> str:
        lines = [self._summary(), f"Limits from {self.basis}", self.note]
        if self.spread is not None:
            one = self.what if self.spread.what.startswith("difference") else "reading"
            lines[0] += f"; sd of one {one} {self.sigma:.{self.decimals + 1}f} {self.unit}"
            lines.insert(2, self.spread._summary())
        return "\n".join(filter(None, lines))

    def _summary(self) -> str:
        """The finding, and where centre and limits lie."""
        decimals = self.decimals + 1
        rows = self.points
        low, high = rows["lower"], rows["upper"]
        ends = [f"{end:z.{decimals}f}" for end in (low.min(), high.max()) if not np.isnan(end)]
        limits = f"{plural('limit') if len(ends) > 1 else 'limit'} {' to '.join(ends)} {self.unit}"
        if low.nunique() > 1 or high.nunique() > 1:
            limits = f"widest {limits} (they vary from point to point)"
        return f"{self.finding}\nCentre {rows['centre'].mean():z.{decimals}f} {self.unit}, {limits}"

    def _level(self, column: str) -> float | FloatArray:
        levels = self.points[column].to_numpy(dtype=np.float64)
        same = (levels == levels[0]).all() or np.isnan(levels).all()
        return float(levels[0]) if same else levels


def table_of_points(
    *,
    what: str,
    unit: str,
    point: IntArray,
    label: list[str],
    n: IntArray,
    value: FloatArray,
    centre: FloatArray | float,
    lower: FloatArray | float,
    upper: FloatArray | float,
    high: str,
    low: str,
    behind: int | None = None,
) -> pd.DataFrame:
    """
    The table behind a chart, with the reason of every point beyond a limit.

    Parameters
    ----------
    what, unit : str
        What is plotted and its unit, for the reasons.
    point, label, n, value : sequence
        One entry a point.
    centre, lower, upper : float or array
        In the unit of the values; a float holds for all points.
    high, low : str
        What a point above, or below, its limits is, and what to do: ends its reason.
    behind : int or None
        Points the limits rest on: a reason says so where they are few.

    Examples
    --------
    >>> table_of_points(
    ...     what="mean", unit="g", point=np.array([1]), label=["3 May"], n=np.array([5]),
    ...     value=np.array([25.34]), centre=23.7, lower=22.5, upper=24.91,
    ...     high="far above the others", low="far below the others",
    ... ).loc[0, "reason"]
    'mean 25.3 g is above the upper limit 24.9 g: far above the others'
    """
    points = pd.DataFrame(
        {
            "point": point,
            "label": label,
            "n": n,
            "value": value,
            "centre": centre,
            "lower": lower,
            "upper": upper,
        }
    )
    decimals = _decimals(points)
    doubt = _doubt(behind)
    reasons = [""] * len(points)
    plotted = points["value"].to_numpy()
    for side, name, then, sign in (("above", "upper", high, 1), ("below", "lower", low, -1)):
        limits = points[name].to_numpy()
        for row in np.flatnonzero(sign * plotted > sign * limits).tolist():
            shown, limit = _told_apart(plotted[row], limits[row], decimals)
            reasons[row] = (
                f"{what} {shown} {unit} is {side} the {name} limit {limit} {unit}: {then}{doubt}"
            )
    points["reason"] = reasons
    return points


def plural(word: str) -> str:
    """
    What is plotted, or what a point is called, of more than one.

    Examples
    --------
    >>> plural("batch"), plural("day"), plural("difference from the batch before")
    ('batches', 'days', 'differences from the batch before')
    """
    first, space, rest = word.partition(" from ")
    return f"{first}{'es' if first.endswith(('ch', 's', 'x')) else 's'}{space}{rest}"


def _doubt(behind: int | None) -> str:
    few = behind is not None and behind < FEWEST
    return f"; limits from only {behind} are uncertain" if few else ""


def _decimals(points: pd.DataFrame) -> int:
    reach = (points["upper"] - points["centre"]).fillna(points["centre"] - points["lower"])
    return max(0, int(np.ceil(-np.log10(float(reach.min()) / 9))))


def _told_apart(value: float, limit: float, decimals: int) -> tuple[str, str]:
    """Both numbers rounded alike, with as many decimals as it takes to see that they differ."""
    while round(value, decimals) == round(limit, decimals) and decimals < 15:
        decimals += 1
    return f"{value:z.{decimals}f}", f"{limit:z.{decimals}f}"
