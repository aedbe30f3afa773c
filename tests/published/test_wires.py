"""
Wires against both worked examples of the reference sheet on wires, drying and weighing: 3.6, 3.7.

Both are simulated, not measured. A1: 20 loaves of 10 bars, wire 6 slack, wires 2, 5 and 8 off their
places. A2: 30 loaves of 9 bars, wire 3 slack from loaf 16. Printed digits throughout.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy.special import chdtri

import qa_tools as qa
from qa_tools.decisions.wires.cutter import FloatArray
from qa_tools.decisions.wires.kinds import grams_per_mm
from qa_tools.decisions.wires.sums import rising, wander_gain, wander_run_length

DATA = Path(__file__).parent / "data"
A1 = pd.read_csv(DATA / "wire_sim_A1_weights.csv", index_col="loaf")
A2 = pd.read_csv(DATA / "wire_sim_A2_weights.csv", index_col="loaf")
NOISE_G = np.sqrt(0.15**2 + 0.1**2 / 12)

# wire: offset, se, sd, noise sd, wander, 95 % low, high; wander by restricted likelihood
TABLE_A1 = [
    (-0.0249, 0.0250, 0.1117, 0.0249, 0.1089, 0.0812, 0.1612, 0.1075),
    (0.2766, 0.0350, 0.1563, 0.0332, 0.1528, 0.1142, 0.2259, 0.1536),
    (0.0533, 0.0297, 0.1329, 0.0380, 0.1274, 0.0937, 0.1904, 0.1238),
    (0.0115, 0.0399, 0.1786, 0.0406, 0.1739, 0.1296, 0.2576, 0.1755),
    (-0.5064, 0.0455, 0.2033, 0.0415, 0.1990, 0.1489, 0.2940, 0.1924),
    (0.0476, 0.1094, 0.4892, 0.0406, 0.4875, 0.3698, 0.7133, 0.4934),
    (0.0461, 0.0270, 0.1206, 0.0380, 0.1144, 0.0835, 0.1720, 0.1135),
    (0.1826, 0.0278, 0.1243, 0.0332, 0.1197, 0.0885, 0.1784, 0.1185),
    (0.0322, 0.0266, 0.1191, 0.0249, 0.1165, 0.0871, 0.1721, 0.1150),
]
# wire: largest sum, its loaf, sd of loaves 1-15, 16-30
TABLE_A2 = [
    (8.069, 12, 0.1535, 0.1320),
    (3.136, 15, 0.1201, 0.0976),
    (153.446, 30, 0.1164, 0.4441),
    (2.189, 7, 0.1125, 0.1179),
    (1.072, 26, 0.0952, 0.1152),
    (6.806, 5, 0.1432, 0.1273),
    (2.418, 2, 0.1039, 0.1067),
    (8.789, 8, 0.1607, 0.1117),
]


# The sheet's own estimate, from shares of whole loaves (3.1 to 3.4): a second way to the faces,
# written out here to hold the study against.
def displacements(weights: FloatArray, spacing: FloatArray) -> FloatArray:
    """How far each face lies from its place, mm: its share of the weight is that of the length."""
    running, places = np.cumsum(weights, axis=1), np.cumsum(spacing)
    found: FloatArray = places[-1] * running[:, :-1] / running[:, -1:] - places[:-1]
    return found


def noise_shape(spacing: FloatArray) -> FloatArray:
    """Covariance of these, per squared millimetre of noise on one bar: pinned at both ends."""
    share = np.cumsum(spacing) / spacing.sum()
    sums = np.tri(len(spacing))[:-1] - share[:-1, None]
    shape: FloatArray = sums @ sums.T
    return shape


def wire_by_wire(found: FloatArray, noise: FloatArray) -> list[FloatArray]:
    """Offset, its error, sd, noise, wander and its 95 % ends (chi-square, noise taken off), mm."""
    n, sd = len(found), found.std(axis=0, ddof=1)
    ends = [(n - 1) / chdtri(n - 1, tail) for tail in (0.025, 0.975)]
    wander = [np.sqrt(np.maximum(sd**2 * part - noise**2, 0.0)) for part in (1.0, *ends)]
    return [found.mean(axis=0), sd / np.sqrt(n), sd, noise, *wander]


def column(rows: list[tuple[Any, ...]], place: int) -> FloatArray:
    return np.array([row[place] for row in rows])


def noise_sd(weights: FloatArray, spacing: float) -> FloatArray:
    """Of each wire's displacement, mm, with the mean over loaves of 1 / K²."""
    widths = np.full(weights.shape[1], spacing)
    per_gram = np.mean(1 / grams_per_mm(weights, widths) ** 2)
    return NOISE_G * np.sqrt(per_gram * noise_shape(widths).diagonal())


def bars(weights: pd.DataFrame) -> pd.DataFrame:
    long = weights.reset_index().melt("loaf", var_name="slot", value_name="net")
    return long.assign(slot=long["slot"].str.removeprefix("slot").astype(int)).sort_values("loaf")


def test_a1_displacements_from_shares() -> None:
    widths = np.full(10, 25.0)
    scale = grams_per_mm(A1.to_numpy(), widths)
    assert scale.mean() == pytest.approx(5.82704, abs=5e-6)
    assert scale.std(ddof=1) == pytest.approx(0.04458, abs=5e-6)
    assert np.mean(1 / scale**2) == pytest.approx(0.0294562, abs=5e-8)
    assert scale[[0, 5]] == pytest.approx([5.8364, 5.8320], abs=5e-5)
    found = displacements(A1.to_numpy(), widths)
    loaf_1 = [0.0154, 0.1508, 0.0291, -0.1097, -0.4540, -0.1474, 0.0908, 0.2090, 0.1902]
    assert found[0] == pytest.approx(loaf_1, abs=5.1e-5)
    assert found[5, 5] == pytest.approx(1.3032, abs=5e-5)
    factors = [0.9, 1.6, 2.1, 2.4, 2.5, 2.4, 2.1, 1.6, 0.9]
    assert noise_shape(widths).diagonal() == pytest.approx(factors)


def test_a1_offsets_and_wander_wire_by_wire() -> None:
    noise = noise_sd(A1.to_numpy(), 25)
    printed = wire_by_wire(displacements(A1.to_numpy(), np.full(10, 25.0)), noise)
    for place, values in enumerate(printed):
        assert values == pytest.approx(column(TABLE_A1, place), abs=5.1e-5)


def test_a1_wander_by_restricted_likelihood() -> None:
    study = qa.wires.study(bars(A1), spacing_mm=25, noise_g=NOISE_G)
    wander = study.wires["wander_mm"].to_numpy()
    assert wander == pytest.approx(column(TABLE_A1, 7), abs=5.1e-5)
    assert study.wires["offset_mm"].to_numpy() == pytest.approx(column(TABLE_A1, 0), abs=5.1e-5)
    found = displacements(A1.to_numpy(), np.full(10, 25.0))
    drawn_in = np.abs(study.displacements.to_numpy() - found)  # towards the mean, as noise has it
    assert (drawn_in.mean(axis=0) < noise_sd(A1.to_numpy(), 25)).all()
    away = found - found.mean(axis=0)
    noise = noise_sd(A1.to_numpy(), 25)[0] ** 2 / 0.9 * noise_shape(np.full(10, 25.0))
    covariance = np.diag(wander**2) + noise
    objective = 19 * np.linalg.slogdet(covariance)[1]
    objective += np.trace(np.linalg.solve(covariance, away.T @ away))
    assert objective / 2 == pytest.approx(-227.57478, abs=5e-6)


def test_a1_right_answer() -> None:
    """Wire 6 wanders; wires 2, 5 and 8 stand off their places, which is no wander."""
    study = qa.wires.study(bars(A1), spacing_mm=25)
    advice = study.wires.set_index("wire")["advice"]
    assert advice[advice == "retension"].index.tolist() == [6]
    assert advice[advice == "move"].index.tolist() == [2, 5, 8]
    assert study.causes.empty and study.set_aside.empty


def test_a2_sums_and_first_signal() -> None:
    noise = noise_sd(A2.to_numpy(), 22)
    assert noise == pytest.approx(
        [0.0233, 0.0308, 0.0349, 0.0368, 0.0368, 0.0349, 0.0308, 0.0233], abs=5.1e-5
    )
    found = displacements(A2.to_numpy(), np.full(9, 22.0))
    score = found / np.sqrt(0.12**2 + noise**2)
    # The sheet's sum is of squares less k: the log likelihood ratio of variance 4, over 3/8.
    sums = rising(wander_gain(score, np.ones_like(score), 1.0, 2.0)) / (3 / 8)
    assert sums.max(axis=0) == pytest.approx(column(TABLE_A2, 0), abs=5.1e-4)
    assert (sums.argmax(axis=0) + 1).tolist() == column(TABLE_A2, 1).tolist()
    first = [int(np.argmax(above)) + 1 if above.any() else None for above in (sums > 8.969).T]
    assert first == [None, None, 19, None, None, None, None, None]
    loaves = np.array([7, 11, 12, 13, 14, 15, 16, 17, 18, 19, 20]) - 1
    printed = [0.956, 1.916, 0.160, 0.486, 0.048, 0, 0, 0, 0, 21.729, 52.975]
    assert sums[loaves, 2] == pytest.approx(printed, abs=5.1e-4)
    for half, place in ((slice(15), 2), (slice(15, 30), 3)):
        assert found[half].std(axis=0, ddof=1) == pytest.approx(column(TABLE_A2, place), abs=5.1e-5)


def test_a2_wire_3_named_once_it_is_slack() -> None:
    study = qa.wires.study(bars(A2).query("loaf >= 16"), spacing_mm=22)
    assert study.wires.loc[study.wires["chance"] < 0.01, "between"].tolist() == ["bars 3 and 4"]


@pytest.mark.parametrize(
    ("ratio", "k", "in_control", "h", "delays"),
    [
        (2, 1.3863, 370, 11.866, (19.3, 6.6, 3.3)),
        (4, 1.8484, 100, 5.722, (12.7, 4.7, 2.5)),
        (4, 1.8484, 370, 8.969, (20.8, 6.2, 3.0)),
        (4, 1.8484, 1000, 11.541, (28.4, 7.4, 3.4)),
        (4, 1.8484, 3000, 14.432, (38.1, 8.8, 3.8)),
        (4, 1.8484, 4000, 15.192, (40.9, 9.1, 3.9)),
        (9, 2.4719, 370, 7.328, (23.5, 6.4, 3.0)),
    ],
)
def test_run_lengths_of_the_sum(
    ratio: float, k: float, in_control: int, h: float, delays: tuple[float, ...]
) -> None:
    """Section 3.5: ratios of variance, h in squares above k = L ln(L) / (L - 1)."""
    assert ratio * np.log(ratio) / (ratio - 1) == pytest.approx(k, abs=5e-5)
    limit, design = h * (1 - 1 / ratio) / 2, np.sqrt(ratio)
    assert wander_run_length(limit, design=design) == pytest.approx(in_control, rel=0.003)
    for true, delay in zip((2, 4, 9), delays, strict=True):
        found = wander_run_length(limit, np.sqrt(true), design=design)
        assert found == pytest.approx(delay, abs=0.051 + 0.003 * delay)
