"""
How long the two ways of a trace take in a works of a year, after it is read.

Run by hand: ``python tests/benchmarks/bench_trace.py``. The aim is well under a second each way; a
retail audit's exercise is against the clock (common practice, no published source). Each time is
the shortest of five.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import qa_tools as qa

sys.path.insert(0, str(Path(__file__).parent.parent))
from year_works import make_year


def best_of(work: Callable[[], object], times: int = 5) -> float:
    """The shortest of some runs, in seconds: the one least disturbed."""
    runs = []
    for _ in range(times):
        begun = time.perf_counter()
        work()
        runs.append(time.perf_counter() - begun)
    return min(runs)


def main() -> None:
    """Print what each way takes."""
    with tempfile.TemporaryDirectory() as folder:
        make_year(Path(folder))
        begun = time.perf_counter()
        works = qa.read_works(folder)
        read = time.perf_counter() - begun
    print(f"{len(works.weighings):,} weighings, {len(works.batches)} batches read: {read:.2f} s")
    asked: list[dict[str, str | int]] = [
        {"pack_code": "P00100"}, {"batch": "O-0003"}, {"scale": "S3"}, {"tare_lot": "K-1"},
        {"wire": 5},
    ]  # fmt: skip
    for one in asked:
        found = qa.evidence.trace(works, **one)
        took = best_of(lambda one=one: qa.evidence.trace(works, **one))
        shown = best_of(lambda found=found: str(found))
        print(f"{one}: {took:.2f} s, printing {shown:.2f} s; {found.headline}")
    print(f"balance of all batches: {best_of(lambda: qa.evidence.balance(works)):.2f} s")


if __name__ == "__main__":
    main()
