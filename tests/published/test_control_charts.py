"""
Control limits against the outside world.

NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2 (pages pmc321.htm to pmc324.htm),
and the classical tables of constants (ASTM MNL 7, ISO 7870-2, pmc321.htm).
data/nist_wafer_thickness.csv is NIST's own CCXBAR.DAT (repository usnistgov/dataplot, lib/data,
public domain). data/control_chart_constants.csv was computed apart from this project (400-node
Gauss-Legendre, checked with 25-digit arithmetic); it is no published table.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from qa_tools.charts import constants, cusum, ewma, individuals, mean_range, mean_sd

DATA = Path(__file__).parent / "data"
TEN_DIGITS = pd.read_csv(DATA / "control_chart_constants.csv", index_col="n")
WAFERS = pd.read_csv(DATA / "nist_wafer_thickness.csv").set_index("day")["thickness"]

# n: A2, A3, B3, B4, D3, D4, d2 to three decimals and c4 to four as the classical tables print them
# (from memory; they err in the last digit here and there: D4 of 5 is 2.114499, printed 2.115).
PRINTED = {
    2: (1.880, 2.659, 0, 3.267, 0, 3.267, 1.128, 0.7979),
    3: (1.023, 1.954, 0, 2.568, 0, 2.574, 1.693, 0.8862),
    4: (0.729, 1.628, 0, 2.266, 0, 2.282, 2.059, 0.9213),
    5: (0.577, 1.427, 0, 2.089, 0, 2.115, 2.326, 0.9400),
    6: (0.483, 1.287, 0.030, 1.970, 0, 2.004, 2.534, 0.9515),
    7: (0.419, 1.182, 0.118, 1.882, 0.076, 1.924, 2.704, 0.9594),
    8: (0.373, 1.099, 0.185, 1.815, 0.136, 1.864, 2.847, 0.9650),
    10: (0.308, 0.975, 0.284, 1.716, 0.223, 1.777, 3.078, 0.9727),
    15: (0.223, 0.789, 0.428, 1.572, 0.347, 1.653, 3.472, 0.9823),
    25: (0.153, 0.606, 0.565, 1.435, 0.459, 1.541, 3.931, 0.9896),
}


@pytest.mark.parametrize("n", range(2, 26))
def test_constants_to_ten_digits(n: int) -> None:
    computed = constants(n)
    for name, value in TEN_DIGITS.loc[n].items():
        assert getattr(computed, name) == pytest.approx(value, abs=1.01e-10), name


@pytest.mark.parametrize("n", PRINTED)
def test_constants_as_printed(n: int) -> None:
    computed = constants(n)
    names = ("A2", "A3", "B3", "B4", "D3", "D4", "d2", "c4")
    for name, printed in zip(names, PRINTED[n], strict=True):
        assert getattr(computed, name) == pytest.approx(printed, abs=0.002), name


def test_constants_in_closed_form() -> None:
    two = constants(2)
    assert two.d2 == pytest.approx(2 / np.sqrt(np.pi), rel=1e-11)
    assert two.d3 == pytest.approx(np.sqrt(2 - 4 / np.pi), rel=1e-11)
    assert two.c4 == pytest.approx(np.sqrt(2 / np.pi), rel=1e-14)
    assert constants(3).d2 == pytest.approx(3 / np.sqrt(np.pi), rel=1e-11)


def test_wafer_thickness_with_ranges() -> None:
    chart = mean_range(WAFERS)
    assert chart.centre == pytest.approx(23.726, abs=5e-10)
    assert chart.spread is not None
    assert chart.spread.centre == pytest.approx(2.05, abs=5e-10)
    assert chart.sigma == pytest.approx(0.881368282, abs=5e-10)
    assert (chart.lower, chart.upper) == pytest.approx((22.543520, 24.908480), abs=5e-7)
    assert (chart.spread.lower, chart.spread.upper) == pytest.approx((0, 4.334723), abs=5e-7)
    assert chart.signals["label"].tolist() == ["20"]
    assert chart.spread.signals["label"].tolist() == ["20"]


def test_wafer_thickness_with_sds() -> None:
    chart = mean_sd(WAFERS)
    assert chart.spread is not None
    assert chart.spread.centre == pytest.approx(0.820658178, abs=5e-10)
    assert chart.sigma == pytest.approx(0.873053986, abs=5e-10)
    assert (chart.lower, chart.upper) == pytest.approx((22.554675, 24.897325), abs=5e-7)
    assert (chart.spread.lower, chart.spread.upper) == pytest.approx((0, 1.714353), abs=5e-7)
    assert chart.signals["label"].tolist() == ["20"]


def test_flow_rate_single_readings() -> None:
    flow = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    chart = individuals(flow)
    assert chart.spread is not None
    moving = [2.0, 2.3, 1.4, 3.5, 3.4, 1.4, 0.2, 1.2, 1.5]
    assert chart.spread.points["value"].tolist() == pytest.approx(moving, abs=1e-9)
    assert chart.centre == pytest.approx(50.81, abs=1e-9)
    assert chart.spread.centre == pytest.approx(1.8778, abs=5e-5)
    assert chart.upper == pytest.approx(55.802412, abs=5e-7)
    assert chart.signals.empty
    # The page prints limits made with d2 rounded to 1.128.
    rounded_d2 = np.array([chart.lower, chart.upper]) - chart.centre
    printed = chart.centre + rounded_d2 * constants(2).d2 / 1.128
    assert printed == pytest.approx([45.8159, 55.8041], abs=5e-5)


# pmc323.htm: inputs, sums and limits from memory; the page's recursions give every one of them.
SUBGROUPS = [
    *(324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600),
    *(324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350),
]
HIGH = [0, 0, 0, 0, 0.0325, 0, 0, 0, 0, 0, 0, 0]
HIGH += [3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445, 16.0025, 19.035]
LOW = [0, 0.0075, 0, 0.3325, 0, 0, 0.5575, 0.715, 0.1725, 0.255, 0.3125, *[0] * 9]


def test_cumulative_sums_of_twenty_subgroups() -> None:
    chart = cusum(SUBGROUPS, target=325, sd=1, k=0.3175, h=4.1959)
    assert chart.points["high"].tolist() == pytest.approx(HIGH, abs=1e-9)
    assert chart.points["low"].tolist() == pytest.approx(LOW, abs=1e-9)
    assert chart.signals["point"].tolist() == list(range(14, 21))
    assert chart.signals["since_high"].tolist() == [13] * 7
    assert (chart.lower, chart.upper) == (-4.1959, 4.1959)


def test_weighted_means_of_twenty_readings() -> None:
    # pmc324.htm: limits as the page prints them (the lower one is cut off there, not rounded);
    # readings and weighted means from memory, confirmed by the recursion.
    readings = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5]
    readings += [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    printed = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33]
    printed += [50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]
    chart = ewma(readings, target=50, sd=2.0539, weight=0.3)
    assert chart.points["value"].tolist() == pytest.approx(printed, abs=0.0051)
    assert (chart.lower, chart.upper) == pytest.approx((47.411568, 52.588432), abs=5e-7)
    assert chart.signals.empty
