"""A control chart as numbers: its points, its limits, and the points that signal, in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from qa_tools.charts.factors import FloatArray, IntArray

if TYPE_CHECKING:
    import plotly.graph_objects as go


@dataclass(frozen=True, eq=False, repr=False)
class ControlChart:
    """
    A control chart: are these points what the process itself would give?

    Attributes
    ----------
    what : str
        What is plotted: "mean", "range", "standard deviation", "reading", "moving range".
    points : DataFrame
        One row a point: point (counted from 1), label, n (readings behind it), value, centre,
        lower, upper (in the unit of the readings), reason (plain words where the point signals,
        else "").
    sigma : float
        Standard deviation of one reading within a subgroup, as the limits use it.
    unit : str
        Unit of the readings, for words and pictures.
    each : str
        What a point is called: "batch", "day"; "" where the labels say it themselves.
    basis : str
        How sigma was estimated, in words.
    spread : ControlChart or None
        The chart of the spread beneath. Points without a spread (one reading, the first of a
        moving range) have no row there.

    Examples
    --------
    >>> from qa_tools.charts import individuals
    >>> chart = individuals([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    >>> chart
    All 10 readings lie within the limits
    Centre 50.81 g, limits 45.82 to 55.80 g; sd of one reading 1.66 g (mean moving range over d2)
    All 9 moving ranges lie within the limits
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
    spread: ControlChart | None = None

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
        """Decimals worth showing: a step between a twentieth and a half of a point's own sd."""
        return _decimals(self.points["centre"], self.points["upper"])

    @property
    def finding(self) -> str:
        """What the chart shows, in one line without a full stop."""
        total, signals = len(self.points), self.signals
        many = f"{self.what}s"
        if signals.empty:
            return f"All {total} {many} lie within the limits"
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

    def __repr__(self) -> str:
        decimals = self.decimals + 1
        rows = self.points
        low, high = rows["lower"], rows["upper"]
        limits = f"limits {low.min():.{decimals}f} to {high.max():.{decimals}f} {self.unit}"
        if low.nunique() > 1 or high.nunique() > 1:
            limits = f"widest {limits} (they vary with the number of readings)"
        lines = [
            self.finding,
            f"Centre {rows['centre'].mean():.{decimals}f} {self.unit}, {limits}",
        ]
        if self.spread is not None:
            lines[1] += f"; sd of one reading {self.sigma:.{decimals}f} {self.unit} ({self.basis})"
            lines.append(repr(self.spread))
        return "\n".join(lines)

    def _level(self, column: str) -> float | FloatArray:
        levels = self.points[column].to_numpy(dtype=np.float64)
        return float(levels[0]) if (levels == levels[0]).all() else levels


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

    Examples
    --------
    >>> table_of_points(
    ...     what="mean", unit="g", point=np.array([1]), label=["3 May"], n=np.array([5]),
    ...     value=np.array([25.34]), centre=23.7, lower=22.5, upper=24.91,
    ... ).loc[0, "reason"]
    'mean 25.3 g is above the upper limit 24.9 g'
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
    decimals = _decimals(points["centre"], points["upper"])
    reasons = [""] * len(points)
    for side, name, beyond in (
        ("above", "upper", points["value"] > points["upper"]),
        ("below", "lower", points["value"] < points["lower"]),
    ):
        for row in np.flatnonzero(beyond):
            shown, limit = _told_apart(points["value"].iloc[row], points[name].iloc[row], decimals)
            reasons[row] = f"{what} {shown} {unit} is {side} the {name} limit {limit} {unit}"
    points["reason"] = reasons
    return points


def _decimals(centre: pd.Series[float], upper: pd.Series[float]) -> int:
    sd = float((upper - centre).min()) / 3
    return max(0, int(np.ceil(-np.log10(sd / 2))))


def _told_apart(value: float, limit: float, decimals: int) -> tuple[str, str]:
    """Both numbers rounded alike, with as many decimals as it takes to see that they differ."""
    while round(value, decimals) == round(limit, decimals) and decimals < 15:
        decimals += 1
    return f"{value:.{decimals}f}", f"{limit:.{decimals}f}"
