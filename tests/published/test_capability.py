"""
Tolerance factors and capability against the outside world.

tolerance_one_sided.csv: 288 one-sided factors as printed in Montgomery and Runger, Applied
Statistics and Probability for Engineers, Table XII (the same as Natrella, NBS Handbook 91, Table
A-7, where they overlap), read in a public copy. NIST/SEMATECH e-Handbook 7.2.6.3 (prc263.htm) and
6.1.6 (pmc16.htm). Mica washers: Natrella, NBS Handbook 91, chapter 2, NIST file NATR21.DAT; its
limit is a recomputation.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from qa_tools.charts import capability
from qa_tools.statistics.tolerance import of_sample, sds_above, share_below, tolerance_limit

PRINTED = pd.read_csv(Path(__file__).parent / "data" / "tolerance_one_sided.csv")


def factor(n: int, coverage: float, confidence: float = 0.95) -> float:
    return -tolerance_limit(of_sample(0.0, 1.0, n), coverage, confidence)


def test_printed_one_sided_factors() -> None:
    assert len(PRINTED) == 288
    for row in PRINTED.itertuples():
        computed = factor(row.n, row.coverage, row.confidence)
        assert computed == pytest.approx(row.k_published_3dp, abs=0.00051), row


@pytest.mark.parametrize(
    ("n", "coverage", "confidence", "printed", "digits"),
    [
        (43, 0.90, 0.99, 1.8740, 4),  # e-Handbook 7.2.6.3, by noncentral t
        (50, 0.95, 0.95, 2.065, 3),  # Odeh and Owen
        (10, 0.90, 0.95, 2.354640, 6),  # computed apart from this project, as the next two
        (10, 0.975, 0.95, 3.402453, 6),
        (10, 0.999, 0.95, 5.2033, 4),
    ],
)
def test_single_factors(n, coverage, confidence, printed, digits) -> None:
    assert factor(n, coverage, confidence) == pytest.approx(printed, abs=0.51 * 10**-digits)


@pytest.mark.parametrize("n", [2, 3, 10, 200, 100_000])
@pytest.mark.parametrize("coverage", [0.5, 0.975, 0.99999])
def test_factors_against_the_noncentral_t_distribution(n: int, coverage: float) -> None:
    from scipy.stats import nct, norm

    expected = nct.ppf(0.95, n - 1, norm.ppf(coverage) * n**0.5) / n**0.5
    assert factor(n, coverage) == pytest.approx(expected, rel=1e-8, abs=1e-9)


def test_mica_washers() -> None:
    washers = [0.123, 0.124, 0.126, 0.129, 0.120, 0.132, 0.123, 0.126, 0.129, 0.128]
    found = capability(washers, lower=0.117547, unit="in")
    assert found.mean == pytest.approx(0.1260, abs=1e-12)
    assert found.sd == pytest.approx(0.00359011, abs=5e-9)
    assert found.tolerance_limit(0.90) == pytest.approx(0.117547, abs=5e-7)
    # the share below that limit is at most a tenth: the same statement turned round
    assert found.shares.loc["lower", "at_most"] == pytest.approx(0.10, abs=1e-4)


def test_the_index_of_the_handbook_example() -> None:
    # pmc16.htm: mean 16, s 2, lower limit 8: 1.3333; upper limit 20: 0.6667, here by mirror image.
    for distance, printed in ((8.0, 1.3333), (4.0, 0.6667)):
        estimate, low, high = (x / 3 for x in sds_above(of_sample(distance, 2.0, 50), 0.0))
        assert estimate == pytest.approx(printed, abs=5e-5)
        # the usual approximate interval of the textbooks, for which n = 50 is enough
        half = 1.959964 * np.sqrt(1 / (9 * 50) + estimate**2 / (2 * 49))
        assert (low, high) == pytest.approx((estimate - half, estimate + half), abs=0.005)


def test_reject_fractions_by_index() -> None:
    # one side of the handbook's 0.27 %, 64 ppm, 0.6 ppm and 2 ppb, as recomputed
    exact = {1: 2.69980e-3, 1.33: 6.6073e-5, 5 / 3: 5.7330e-7, 2: 1.97318e-9}
    for index, both_sides in exact.items():
        share = share_below(of_sample(3 * index, 1.0, 30), 0.0)
        assert 2 * share.estimate == pytest.approx(both_sides, rel=1e-4)
