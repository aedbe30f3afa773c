"""
How long a million weighings take to read, beside a bare ``pandas.read_csv`` of the same file.

Run by hand: ``python tests/benchmarks/bench_reading.py``. The aim is at most three times the bare
read. From pandas 3.1 on `read_csv` splits a large plain file over all cores, so both are also timed
with the bare read held to one core (``low_memory=False`` keeps it from splitting).
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from qa_tools.readings import read_weights

ROWS = 1_000_000
PER_BATCH = 100


def write(path: Path, *, when: bool) -> None:
    """A file of weighings: a hundred a batch, to a tenth of a gram."""
    rng = np.random.default_rng(20260812)
    number = np.arange(ROWS)
    columns = {"batch": np.char.add("Q-", (number // PER_BATCH).astype(str))}
    if when:
        stamps = np.datetime64("2026-01-01T06:00:00") + number * np.timedelta64(30, "s")
        columns["when"] = np.char.replace(stamps.astype(str), "T", " ")
    columns["weight"] = np.round(rng.normal(121, 1.5, ROWS), 1).astype(str)
    pd.DataFrame(columns).to_csv(path, index=False)


def best_of(work: Callable[[], object], times: int = 5) -> float:
    """The shortest of some runs, in seconds: the one least disturbed."""
    runs = []
    for _ in range(times):
        begun = time.perf_counter()
        work()
        runs.append(time.perf_counter() - begun)
    return min(runs)


def main() -> None:
    """Print the figures for both shapes of file."""
    print(f"pandas {pd.__version__}, {ROWS:,} rows")
    with tempfile.TemporaryDirectory() as folder:
        for when in (False, True):
            path = Path(folder) / ("batch-when-weight.csv" if when else "batch-weight.csv")
            write(path, when=when)
            weighings = read_weights(path)
            assert len(weighings.table) + len(weighings.not_used) == ROWS
            own = best_of(lambda path=path: read_weights(path))
            bare = best_of(lambda path=path: pd.read_csv(path))
            single = best_of(lambda path=path: pd.read_csv(path, low_memory=False))
            print(
                f"{path.name:24} read_weights {own:.3f} s; read_csv {bare:.3f} s: "
                f"{own / bare:.1f} times; read_csv on one core {single:.3f} s: "
                f"{own / single:.1f} times"
            )


if __name__ == "__main__":
    main()
