"""Chances of rejection, run by hand: ``python tests/benchmarks/bench_chance.py``.

Bound: a call of chance_of_rejection after the first takes at most 100 ms.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

import numpy as np

from qa_tools.books.chance import chance_of_rejection
from qa_tools.books.outlook import rejection_outlook

RUNS = 9
LOTS = [
    *(("eu-76-211", 60), ("eu-76-211", 200), ("uk-2006-659", 1000), ("uk-2006-659", 5000)),
    *(("us-hb133", 108), ("us-hb133", 5000), ("ca-crc-417", 108), ("ca-crc-417", 20_000)),
]


def seconds(call: Callable[[], object]) -> float:
    start = time.perf_counter()
    call()
    return time.perf_counter() - start


def main() -> None:
    bars = np.random.default_rng(1).normal(121, 3, 40)
    worst = 0.0
    for book, size in LOTS:
        for between in (0.0, 2.0):

            def call(b: str = book, n: int = size, t: float = between) -> object:
                return chance_of_rejection(121, 3, "120 g", b, lot_size=n, sd_between=t)

            first = seconds(call)
            usual = statistics.median(seconds(call) for _ in range(RUNS))
            worst = max(worst, usual)
            print(
                f"{book} lot {size}, {between:g} g between: first {1000 * first:.0f} ms, "
                f"then {1000 * usual:.1f} ms"
            )

        def look(b: str = book, n: int = size) -> object:
            return rejection_outlook(bars, "120 g", b, lot_size=n)

        print(f"{book} lot {size}: outlook from 40 weighed, {1000 * seconds(look):.0f} ms")
    print(f"slowest call of chance_of_rejection after the first: {1000 * worst:.1f} ms")


if __name__ == "__main__":
    main()
