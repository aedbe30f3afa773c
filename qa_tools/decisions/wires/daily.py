"""How many whole loaves a day to weigh, so that a slack wire shows in time."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pandas as pd

from qa_tools.decisions.wires.sums import limits, wander_run_length


def loaves_a_day(
    wires: int,
    days: Sequence[float] = (1, 2, 5, 10),
    *,
    times_base: Sequence[float] = (1.5, 2.0, 3.0),
    false_alarm: float = 300,
) -> pd.DataFrame:
    """
    How many whole loaves a day suffice to find a slack wire within so many working days?

    Parameters
    ----------
    wires : int
        Between the bars of a loaf.
    days : sequence of float
        Wanted delays, on average.
    times_base : sequence of float
        How slack the wire goes at once: its wander over the base.
    false_alarm : float
        Loaves to a false alarm on any wire, as in `watch`.

    Returns
    -------
    DataFrame
        Index ``times_base``; ``loaves`` to the signal on average, then a column for each delay: the
        fewest loaves a day.

    Raises
    ------
    ValueError
        Fewer than one wire, a delay that is not above 0, a wander not above the base, or fewer than
        50 or more than 100,000 loaves to a false alarm.

    Notes
    -----
    From the run lengths of `watch`, the base known, by Markov chain. With the base estimated from
    50 loaves of 11 bars it took 29, 9 and 4 loaves at 1.5, 2 and 3 times the base, simulated
    (``tests/benchmarks/bench_wire_delay.py``).

    Examples
    --------
    To find it within 1, 2, 5 and 10 working days, at 1.5, 2 and 3 times the base:

    >>> loaves_a_day(10)[[1, 2, 5, 10]].to_numpy()
    array([[27, 14,  6,  3],
           [10,  5,  2,  1],
           [ 5,  3,  1,  1]])
    """
    if not wires >= 1:
        raise ValueError(f"wires={wires}: give how many stand between the bars, 1 or more")
    if not all(one > 0 for one in days):
        raise ValueError(f"days={list(days)}: give working days above 0")
    if not all(one > 1 for one in times_base):
        raise ValueError(f"times_base={list(times_base)}: a slack wire wanders more than 1 time it")
    if not 50 <= false_alarm <= 1e5:
        raise ValueError(f"false_alarm={false_alarm}: give 50 to 100,000 loaves")
    limit, _ = limits(false_alarm, wires)
    loaves = [wander_run_length(limit, one) for one in times_base]
    table = pd.DataFrame({"loaves": loaves}, index=pd.Index(times_base, name="times_base"))
    for one in days:
        table[one] = [math.ceil(taken / one) for taken in loaves]
    return table
