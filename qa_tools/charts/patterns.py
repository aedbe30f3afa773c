"""Points that make a pattern though each may lie within its limits, found by run rules."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from qa_tools.charts.rules import parse
from qa_tools.charts.run_length import alone


def patterns(
    points: pd.DataFrame, rules: str | Sequence[str], *, width: float = 3.0
) -> pd.DataFrame:
    """
    The points at which a supplementary run rule signals, with the reason and the rule's price.

    Parameters
    ----------
    points : DataFrame
        ``.points`` of a chart that judges each point by itself (of means, single readings), in
        time order: point, label, value, centre, upper, lower.
    rules : str or sequence of str
        Named by what they count, any numbers: "8 on a side", "2 of 3 beyond 2" (on the same side),
        "6 rising or falling", "14 up and down" (by turns), "15 within 1", "8 outside 1" (in a row,
        on either side), "beyond 2.5". Distances in standard deviations of the plotted point.
    width : float
        Of the chart's limits, in standard deviations of the plotted point.

    Returns
    -------
    DataFrame
        One row a rule and point that completes the pattern: ``point``, ``label``, ``rule``,
        ``since`` (point at which the pattern begins), ``chance_in`` (by chance the rule alone
        signals once in so many points on average) and ``reason`` in plain words.

    Raises
    ------
    ValueError
        A rule that is none; a chart whose points carry over from one to the next, or whose limits
        lie unevenly about the centre: there a run is no sign.

    Notes
    -----
    A point on the centre line is on no side, one level with the point before neither rises nor
    falls. ISO 7870-2, number-free; prices by ``run_length``.

    Examples
    --------
    >>> from qa_tools.charts import individuals
    >>> low = [0.3, -0.9, 0.6, -0.5, -0.4, -0.3, -0.6, -0.2, -0.5, -0.4, -0.6]
    >>> found = patterns(individuals(low).points.assign(centre=0.0, upper=3, lower=-3),
    ...                  "8 on a side")
    >>> found.loc[0, ["point", "since"]].tolist(), found.loc[0, "reason"]
    ([11, 4], '8 points in a row on one side of the centre, here below, since point 4: the level
    may have moved (by chance about once in 255 points)')
    """
    asked = parse(rules)
    if {"reading", "high"} & set(points.columns):
        raise ValueError(
            "run rules are for points that stand by themselves; a weighted mean or a sum carries "
            "over from one point to the next, and has its own limit instead"
        )
    value, centre, lower, upper = (
        points[name].to_numpy(dtype=np.float64) for name in ("value", "centre", "lower", "upper")
    )
    reach = upper - centre
    if not np.allclose(reach, centre - lower, rtol=1e-6):
        raise ValueError(
            "run rules are for limits as far above the centre as below, as a chart of means or of "
            "single readings has; a chart of spreads has not"
        )
    # Means of the same readings in another order differ in the sixteenth digit: that is no step.
    z = np.round((value - centre) * width / reach, 9)
    steps = np.sign(np.round(np.diff(value, prepend=value[:1]) / reach, 9)).astype(int).tolist()
    number = points["point"].to_numpy()
    label = points["label"].astype(str).to_numpy()
    rows = []
    for rule in asked:
        chance_in = alone(rule.name)
        for side, watch in enumerate(rule.watches):
            memory = 0
            for place, (z_here, step) in enumerate(zip(z.tolist(), steps, strict=True)):
                # Of "2 of 3" the memory's oldest bit is the first that counts.
                back = memory.bit_length() if rule.many < rule.window else rule.window - 1
                memory, call = watch(memory, z_here, step)
                if call:
                    first = place - back
                    here = f", here {rule.sides[side]}" if rule.sides else ""
                    since = f", since point {number[first]}" if rule.window > 1 else ""
                    reason = (
                        f"{rule.says}{here}{since}: {rule.means} "
                        f"(by chance about once in {chance_in:,.0f} points)"
                    )
                    rows.append(
                        (number[place], label[place], rule.name, number[first], chance_in, reason)
                    )
    table = pd.DataFrame(rows, columns=["point", "label", "rule", "since", "chance_in", "reason"])
    return table.sort_values("point", kind="stable", ignore_index=True)
