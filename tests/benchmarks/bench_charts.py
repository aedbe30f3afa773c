"""
How long a chart of a million weighings in ten thousand subgroups takes, beside a bare group-by.

Run by hand: ``python tests/benchmarks/bench_charts.py [WEIGHINGS]``. The bare group-by makes what
the chart needs of each subgroup: number, mean, and sd or range. The aim is at most 1.5 times its
time for the mean charts.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import numpy as np
import pandas as pd

from qa_tools import charts

SUBGROUPS = 10_000


def best_of(work: Callable[[], object], times: int = 7) -> float:
    """The shortest of some runs, in seconds: the one least disturbed."""
    runs = []
    for _ in range(times):
        begun = time.perf_counter()
        work()
        runs.append(time.perf_counter() - begun)
    return min(runs)


def main(rows: int) -> None:
    """Print the times for batches named by a number and by a word."""
    numbers = np.arange(rows) * SUBGROUPS // rows
    net = np.round(np.random.default_rng(20261125).normal(121, 2.5, rows), 1)
    names = np.array([f"B{number:05d}" for number in range(SUBGROUPS)], dtype=object)
    for kind, batch in (("number", numbers), ("name", names[numbers])):
        table = pd.DataFrame({"batch": batch, "net_g": net})
        print(f"pandas {pd.__version__}, {rows:,} weighings, {SUBGROUPS:,} batches by {kind}")
        for name, spread in (("mean_sd", ["std"]), ("mean_range", ["min", "max"])):
            wanted = ["size", "mean", *spread]
            base = best_of(lambda table=table, w=wanted: table.groupby("batch")["net_g"].agg(w))
            chart = getattr(charts, name)
            own = best_of(lambda table=table, c=chart: c(table.set_index("batch")["net_g"]))
            print(f"  {name}: {own * 1e3:.0f} ms, {own / base:.2f} times {base * 1e3:.0f} ms")
        own = best_of(lambda table=table: charts.batch_means(table["net_g"], table["batch"]), 3)
        print(f"  batch_means (components fitted): {own * 1e3:.0f} ms")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
