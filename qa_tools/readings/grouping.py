"""Which entries of some columns are the same: a number for each group, the first of each."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray


def groups_of(keys: Sequence[NDArray[Any]]) -> NDArray[np.intp]:
    """A number for each entry, the same where all the keys are; small, not ordered."""
    telling = [key for key in keys if len(key) and not (key == key[0]).all()]
    if not telling:
        return np.zeros(len(keys[0]), np.intp)
    if len(telling) == 1 and telling[0].dtype == np.intp:
        return telling[0]  # codes are small numbers already
    codes = np.zeros(len(keys[0]), np.int64)
    for key in telling:
        own, values = pd.factorize(key)
        codes = pd.factorize(codes * (len(values) + 1) + own)[0]
    return codes.astype(np.intp)


def first_of_each(keys: Sequence[NDArray[Any]]) -> NDArray[np.intp]:
    """For each entry, the number of the first entry with the same keys (itself, if first)."""
    group = groups_of(keys)
    first = np.full(group.max(initial=-1) + 1, len(group), np.intp)
    # written from the end, so that the first entry is the one that stays
    first[group[::-1]] = np.arange(len(group))[::-1]
    return first[group]
