"""Many batches judged on two cores: half of them in a process of its own, half here."""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
import threading

import pandas as pd

from qa_tools.evidence.batches import Batch, batches_of
from qa_tools.readings.works import Works

MANY = 200  # batches from which a second process is worth its start


def judged(
    works: Works, readings: pd.DataFrame, keys: pd.DataFrame, as_of: pd.Timestamp
) -> list[Batch]:
    """
    As `batches_of` with the books of the labels, and in its order.

    A process started by name needs nothing of the program that called this (a notebook, a script
    without a guard), unlike workers that begin by importing it. Where it cannot be started, or
    fails, everything is judged here.
    """
    ordered = keys.drop_duplicates().sort_values(["fresh", "product", "batch"])
    if len(ordered) < MANY or (os.cpu_count() or 1) < 2:
        return batches_of(works, readings, ordered, None, as_of)
    half = len(ordered) // 2
    helper = _Helper((works, readings, ordered.iloc[half:], as_of))
    first = batches_of(works, readings, ordered.iloc[:half], None, as_of)
    second = helper.result()
    if second is None:
        second = batches_of(works, readings, ordered.iloc[half:], None, as_of)
    return first + second


class _Helper:
    """The second process: given its task at once, asked for its result later."""

    def __init__(self, task: object) -> None:
        self._out = b""
        try:
            self._process: subprocess.Popen[bytes] | None = subprocess.Popen(
                [sys.executable, "-m", __name__],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
            )
        except OSError:
            self._process = None
            return
        self._thread = threading.Thread(target=self._talk, args=(pickle.dumps(task),), daemon=True)
        self._thread.start()

    def _talk(self, task: bytes) -> None:
        assert self._process is not None
        self._out = self._process.communicate(task)[0]

    def result(self) -> list[Batch] | None:
        """What it found; None where it failed."""
        if self._process is None:
            return None
        self._thread.join()
        if self._process.returncode != 0:
            return None
        found: list[Batch] = pickle.loads(self._out)
        return found


def main() -> None:
    """Judge what is handed in, and hand the batches back."""
    works, readings, keys, as_of = pickle.load(sys.stdin.buffer)
    sys.stdout.buffer.write(pickle.dumps(batches_of(works, readings, keys, None, as_of)))


if __name__ == "__main__":
    main()
