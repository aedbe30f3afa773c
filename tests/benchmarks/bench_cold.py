"""Cold starts, run by hand: ``python tests/benchmarks/bench_cold.py``.

Bounds: a process that judges twelve weights takes at most 1.5 times one that imports pandas.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from pathlib import Path

DEMO = Path(__file__).parents[2] / "data_demo"
RUNS = 9
PANDAS = [sys.executable, "-c", "import pandas"]
JUDGE = [
    sys.executable,
    "-c",
    "import qa_tools as qa;"
    "w = [120.4, 119.8, 121.1, 120.9, 119.5, 121.6, 120.2, 120.0, 122.3, 119.9, 120.7, 121.0];"
    "print(qa.judge(w, '4.2 oz / 120 g', 'us-hb133', lot_size=108))",
]
REVIEW = [sys.executable, "-m", "qa_tools.cli", "review", str(DEMO)]


def seconds(command: list[str]) -> float:
    start = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - start


def main() -> None:
    for command in (PANDAS, JUDGE, REVIEW):
        seconds(command)  # warm the file cache
    pairs = [(seconds(JUDGE), seconds(PANDAS)) for _ in range(RUNS)]
    judge, pandas = (statistics.median(times) for times in zip(*pairs, strict=True))
    ratio = statistics.median(a / b for a, b in pairs)
    print(f"judge twelve weights, cold: {judge:.3f} s; import pandas: {pandas:.3f} s")
    print(f"ratio, pair by pair: {ratio:.2f}")
    review = statistics.median(seconds(REVIEW) for _ in range(RUNS // 2))
    print(f"qa-tools review data_demo, cold: {review:.2f} s")


if __name__ == "__main__":
    main()
