"""
How long a study of 2,000 loaves of 11 bars takes.

Run by hand: ``python tests/benchmarks/bench_wires.py [LOAVES]``. The aim is under two seconds.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from wire_cuts import cut, table

import qa_tools as qa


def main(loaves: int) -> None:
    """Print the shortest of three runs for each share of bars missing."""
    wander = np.full(10, 0.15)
    wander[4] = 0.25
    for ends in ("both trimmed", "from a stop"):
        for missing in (0.0, 0.01, 0.05, 0.25):
            random = np.random.default_rng(20261125)
            bars = table(cut(random, loaves, wander, missing=missing, ends=ends))
            runs = []
            for _ in range(3):
                begun = time.perf_counter()
                found = qa.wires.study(bars, spacing_mm=25, ends=ends)
                runs.append(time.perf_counter() - begun)
            named = found.wires.loc[found.wires["chance"] < 0.01, "wire"].tolist()
            kinds = len(found.fit.problem.kinds.loaves)
            print(
                f"{loaves} loaves, {ends}, {100 * missing:.0f} % of bars missing "
                f"({kinds} kinds of loaves): {min(runs):.2f} s, wires named {named}"
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
