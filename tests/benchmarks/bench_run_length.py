"""
How long a run length takes: `python tests/benchmarks/bench_run_length.py`.

Each to five digits or more, first call and best of many; the aim is under 20 ms.
"""

from __future__ import annotations

import time
from typing import Any

from qa_tools.charts import run_length, run_length_quantiles

RULES = ["2 of 3 beyond 2", "4 of 5 beyond 1", "8 on a side"]
DESIGNS: list[tuple[str, float, dict[str, Any]]] = [
    ("shewhart", 0.5, {}),
    ("shewhart", 0.5, {"rules": RULES}),
    ("shewhart", 0.5, {"rules": "6 rising or falling"}),
    ("ewma", 0.5, {"weight": 0.2, "width": 2.962}),
    ("ewma", 0.0, {"weight": 0.05, "width": 2.615}),
    ("cusum", 0.5, {"k": 0.5, "h": 5}),
    ("cusum", 0.0, {"k": 0.25, "h": 8, "head_start": 4}),
    ("individuals", 0.5, {}),
    ("range", 1.5, {"n": 5}),
    ("shewhart", 0.0, {"subgroups": 25, "n": 5}),
    ("cusum", 0.5, {"subgroups": 25, "n": 5}),
]


def main(times: int = 20) -> None:
    """Print the times of the average and, for most, of the quantiles."""
    for chart, shift, design in DESIGNS:
        for what in (run_length, run_length_quantiles):
            if what is run_length_quantiles and "subgroups" in design:
                continue
            took = []
            for _ in range(times):
                begun = time.perf_counter()
                what(chart, shift, **design)
                took.append(1000 * (time.perf_counter() - begun))
            print(
                f"{what.__name__}({chart!r}, {shift}, {design}): "
                f"first {took[0]:.2f} ms, best {min(took):.2f} ms"
            )


if __name__ == "__main__":
    main()
