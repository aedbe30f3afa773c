"""Simulated cutters: weights of loaves from wires that stray as they are told."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

FloatArray = npt.NDArray[np.float64]


def cut(
    random: np.random.Generator,
    loaves: int,
    wander: Any,
    *,
    offset: Any = 0.0,
    ends: str = "both trimmed",
    missing: float = 0.0,
    noise_g: float = 0.15,
    spacing: Any = 25.0,
    step: float = 0.1,
    grams_per_mm: float = 5.85,
    between: float = 0.01,
    strays: FloatArray | None = None,
) -> FloatArray:
    """
    Grams of bars, one row a loaf, by the reference sheet's model.

    Grams a millimetre vary by the share ``between`` (sd) from loaf to loaf; from a stop the loaf's
    length varies by 1 mm. ``wander`` has one sd a wire, mm, or one row a loaf; ``strays`` are added
    to the faces.
    """
    wires = np.atleast_2d(wander).shape[1]
    faces = np.zeros((loaves, wires + 2))
    faces[:, 1:-1] = offset + random.normal(size=(loaves, wires)) * wander
    if ends == "from a stop":
        faces[:, -1] = random.normal(0, 1, loaves)
    if strays is not None:
        faces += strays
    scale = grams_per_mm * (1 + between * random.normal(size=(loaves, 1)))
    weights = scale * (spacing + np.diff(faces)) + random.normal(0, noise_g, (loaves, wires + 1))
    weights = np.round(weights / step) * step
    weights[random.random(weights.shape) < missing] = np.nan
    return weights


def table(weights: FloatArray) -> pd.DataFrame:
    """One row a bar weighed: loaf, slot, net."""
    loaf, slot = np.nonzero(~np.isnan(weights))
    return pd.DataFrame({"loaf": loaf + 1, "slot": slot + 1, "net": weights[loaf, slot]})
