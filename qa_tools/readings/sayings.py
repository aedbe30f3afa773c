"""Sentences about a few of many readings."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qa_tools.readings.coded import Coded


class Sayings:
    """Sentences about a few of many readings."""

    def __init__(self, count: int) -> None:
        self.count = count
        self.of: dict[int, str] = {}

    def add(self, number: int, sentence: str) -> None:
        """Say something about a reading, after what was said before."""
        before = self.of.get(number)
        self.of[number] = f"{before}; {sentence}" if before else sentence

    def about(self) -> NDArray[np.bool_]:
        """Which readings something is said about."""
        mask = np.zeros(self.count, np.bool_)
        mask[list(self.of)] = True
        return mask

    def texts(self) -> Coded:
        """What is said of each reading; "" where nothing is."""
        if not self.of:
            return Coded.constant("", self.count)
        at = np.zeros(self.count, np.intp)
        at[list(self.of)] = np.arange(1, len(self.of) + 1)
        return Coded(at, ["", *self.of.values()])
