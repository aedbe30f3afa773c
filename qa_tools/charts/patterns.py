"""Points that make a pattern though each may lie within its limits, found by run rules."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd

from qa_tools.charts.rules import FORMS, parse
from qa_tools.charts.run_length import alone, run_length

_WIDTH: Final = 3.0  # of the limits, in sd of the plotted point: what the charts here have


def patterns(
    points: pd.DataFrame, rules: str | Sequence[str], *, each: str = "point"
) -> pd.DataFrame:
    """
    The points at which a supplementary run rule signals, with the reason and the rule's price.

    Parameters
    ----------
    points : DataFrame
        ``.points`` of a chart that judges each point by itself against three-sigma limits, in time
        order, all of one phase: point, label, value, centre, upper.
    rules : str or sequence of str
        As for ``ControlChart.with_rules``.
    each : str
        What a point is called, before its label; "" where the label says it itself.

    Returns
    -------
    DataFrame
        One row a rule and point that completes the pattern: ``point``, ``label``, ``rule``,
        ``since`` and ``since_label`` (the point at which the pattern begins), ``what`` (the pattern
        in words), ``chance_in`` (by chance the rule alone signals once in so many points on
        average) and ``reason`` in plain words.

    Raises
    ------
    ValueError
        A rule that is none, or no rule.

    Notes
    -----
    A point on the centre line is on no side, one level with the point before neither rises nor
    falls. ISO 7870-2, number-free; prices by ``run_length``.

    Examples
    --------
    >>> low = [0.3, -0.9, 0.6, -0.5, -0.4, -0.3, -0.6, -0.2, -0.5, -0.4, -0.6]
    >>> table = pd.DataFrame({"point": range(1, 12), "label": list("ABCDEFGHIJK"), "value": low,
    ...                       "centre": 0.0, "upper": 3.0})
    >>> found = patterns(table, "8 on a side", each="batch")
    >>> found.loc[0, ["point", "since"]].tolist(), found.loc[0, "reason"]
    ([11, 4], '8 points in a row on one side of the centre, here below, since batch D: the level
    may have moved (by chance about once in 255 points)')
    """
    asked = parse(rules)
    if not asked:
        raise ValueError(f"name one run rule or more, by what it counts: {FORMS}")
    value, centre, upper = (
        points[name].to_numpy(dtype=np.float64) for name in ("value", "centre", "upper")
    )
    reach = upper - centre
    # Means of the same readings in another order differ in the sixteenth digit: that is no step.
    z = np.round((value - centre) * _WIDTH / reach, 9)
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
                    what = rule.says + (f", here {rule.sides[side]}" if rule.sides else "")
                    begin = f", since {f'{each} {label[first]}'.strip()}" if first < place else ""
                    reason = (
                        f"{what}{begin}: {rule.means} "
                        f"(by chance about once in {chance_in:,.0f} points)"
                    )
                    at = (number[place], label[place], rule.name, number[first], label[first])
                    rows.append((*at, what, chance_in, reason))
    columns = ["point", "label", "rule", "since", "since_label", "what", "chance_in", "reason"]
    table = pd.DataFrame(rows, columns=columns)
    return table.sort_values("point", kind="stable", ignore_index=True)


def price(rules: str | Sequence[str]) -> str:
    """
    What rules beside the limits cost in false alarms, as a sentence.

    Examples
    --------
    >>> print(price(["8 on a side", "2 of 3 beyond 2"]))
    Judged also by the rules 8 on a side, 2 of 3 beyond 2: by chance about one signal in 122 points,
    where the limits alone give one in 370 (normal, independent points, limits from many).
    """
    names = [rule.name for rule in parse(rules)]
    together, limits = run_length("shewhart", rules=names), run_length("shewhart")
    return (
        f"Judged also by the rule{'s' if len(names) > 1 else ''} {', '.join(names)}: by chance "
        f"about one signal in {together:,.0f} points, where the limits alone give one in "
        f"{limits:,.0f} (normal, independent points, limits from many)."
    )
