"""
Run lengths against the outside world.

The tables named below carry two columns: the figure a paper prints (from memory, but for those
said to be quoted by a public page) and one computed apart from this project. Where a paper used a
coarser method than an integral equation, its last digit may be off: those entries are named.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from qa_tools.charts import kernels, run_length
from qa_tools.charts.chains import Runs
from qa_tools.charts.run_length import _estimated, _made

DATA = Path(__file__).parent / "data"

# Champ and Woodall 1987, Technometrics 29, 393-399, Table 1: C1 beyond 3 sigma, C2 two of three
# beyond 2, C3 four of five beyond 1, C4 eight on a side. Printed to two decimals, from memory but
# 91.75, which NIST/SEMATECH pmc32.htm quotes.
RULES = {
    "C1": [],
    "C12": ["2 of 3 beyond 2"],
    "C14": ["8 on a side"],
    "C1234": ["2 of 3 beyond 2", "4 of 5 beyond 1", "8 on a side"],
}
# Lucas and Crosier 1982, Technometrics 24, 199-205: k 0.5, both sides started at h/2; from memory.
SHIFTS = (0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 4)
HEAD_START = {
    4: "149 62.7 20.1 8.97 5.29 2.86 2.01 1.59 1.32 1.07",
    5: "430 122 28.7 11.2 6.35 3.37 2.36 1.86 1.54 1.16",
}


def half_a_digit(printed: str) -> float:
    return 0.5 * 10.0 ** -len(printed.partition(".")[2])


def rows(name: str) -> list[dict[str, str]]:
    return pd.read_csv(DATA / name, dtype=str).to_dict("records")


@pytest.mark.parametrize("chart", RULES)
def test_supplementary_rules(chart: str) -> None:
    for row in rows("arl_runs_rules.csv"):
        exact = run_length("shewhart", float(row["shift_sigma"]), rules=RULES[chart])
        # 0.6 sigma under all four rules is 20.90507, printed 20.90.
        tie = 1e-4 if (chart, row["shift_sigma"]) == ("C1234", "0.6") else 1e-9
        printed = row[f"{chart}_published"]
        assert exact == pytest.approx(float(printed), abs=half_a_digit(printed) + tie)
        assert exact == pytest.approx(float(row[f"{chart}_recomputed"]), abs=6e-6)


def test_nine_on_a_side() -> None:
    exact = [run_length("shewhart", shift, rules="9 on a side") for shift in (0, 0.5, 1, 2)]
    assert exact == pytest.approx([216.6955, 57.779, 17.053, 5.141], abs=6e-4)


def test_three_sigma_limits() -> None:
    # Printed as 370.4 in the literature, as 371 by NIST/SEMATECH pmc32.htm.
    shifts = (0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 4)
    exact = [run_length("shewhart", shift) for shift in shifts]
    figures = [
        *(370.398347, 281.1525, 155.2242, 81.2157, 43.8947),
        *(14.9677, 6.3030, 3.2411, 2.0000, 1.1886),
    ]
    assert exact == pytest.approx(figures, abs=6e-5)
    assert f"{exact[0]:.1f}" == "370.4"


@pytest.mark.parametrize("h", [4, 5])
def test_cumulative_sums(h: int) -> None:
    # Lucas and Crosier 1982; NIST/SEMATECH pmc3231.htm quotes 336 and 930, one-sided in control.
    for row in rows("arl_cusum_k05.csv"):
        shift = float(row["shift_sigma"])
        both, one = (run_length("cusum", shift, k=0.5, h=h, sides=sides) for sides in (2, 1))
        printed = row[f"h{h}_two_sided_published"]
        assert both == pytest.approx(float(printed), abs=half_a_digit(printed))
        assert both == pytest.approx(float(row[f"h{h}_two_sided"]), abs=1e-6)
        assert one == pytest.approx(float(row[f"h{h}_one_sided"]), abs=1e-6)


def test_cumulative_sums_as_a_public_page_quotes_them() -> None:
    # NIST/SEMATECH pmc3231.htm: one-sided, in control 336 (exactly 335.37) and 930 (930.89), which
    # a coarser method than an integral equation gives; shifted, to all digits.
    for h, quoted in ((4, 336), (5, 930)):
        assert run_length("cusum", h=h, sides=1) == pytest.approx(quoted, abs=1)
    shifted = [run_length("cusum", shift, h=h) for shift, h in ((1, 4), (1, 5), (0.5, 4))]
    assert [f"{length:.3g}" for length in shifted] == ["8.38", "10.4", "26.6"]


def spread(runs: Runs) -> float:
    """Standard deviation of the run length, from the chances that no signal has come yet."""
    n = np.arange(200_000)
    left = runs.survival()(n)
    return float(np.sqrt((2 * n + 1) @ left - left.sum() ** 2))


@pytest.mark.parametrize("h", [4, 5])
def test_spread_of_the_run_lengths_of_a_sum(h: int) -> None:
    for row in rows("arl_cusum_k05.csv"):
        runs = kernels.summed(0.5, h, 0.0, 1, float(row["shift_sigma"]), 1.0, 96)
        assert spread(runs) == pytest.approx(float(row[f"h{h}_one_sided_SDRL"]), rel=1e-5, abs=6e-6)


@pytest.mark.parametrize("h", HEAD_START)
def test_cumulative_sums_with_a_head_start(h: int) -> None:
    for shift, printed in zip(SHIFTS, HEAD_START[h].split(), strict=True):
        exact = run_length("cusum", shift, k=0.5, h=h, head_start=h / 2)
        # 3 sigma with h 4 is 1.32539, printed 1.32.
        slack = 5e-4 if (h, shift) == (4, 3) else 0.0
        assert exact == pytest.approx(float(printed), abs=half_a_digit(printed) + slack)


@pytest.mark.parametrize(("weight", "width"), [(0.4, 3.054), (0.2, 2.962), (0.1, 2.814)])
def test_weighted_means(weight: float, width: float) -> None:
    # Lucas and Saccucci 1990, Technometrics 32, 1-12, Table 3, by a chain of coarser steps: two
    # of its entries are off by less than 0.003 beyond rounding.
    name = f"lam{weight}_L{width}"
    for row in rows("arl_ewma_500.csv"):
        exact = run_length("ewma", float(row["shift_sigma"]), weight=weight, width=width)
        coarse = {(0.2, "0.75"), (0.1, "0.75")}
        slack = 0.003 if (weight, row["shift_sigma"]) in coarse else 0.0
        printed = row[f"{name}_published"]
        assert exact == pytest.approx(float(printed), abs=half_a_digit(printed) + slack)
        assert exact == pytest.approx(float(row[name]), abs=6e-6)


def test_weighted_means_of_five_hundred_points() -> None:
    # The same table, in control 500 by that coarser chain: the exact figures are within 0.5.
    for weight, width in ((0.05, 2.615), (0.1, 2.814), (0.25, 2.998), (0.5, 3.071)):
        assert run_length("ewma", weight=weight, width=width) == pytest.approx(500, abs=0.5)


def test_ranges_and_sds() -> None:
    for row in rows("arl_r_s_charts.csv"):
        n, ratio = int(row["n"]), float(row["sigma_ratio"])
        assert run_length("range", ratio, n=n) == pytest.approx(float(row["arl_R_chart"]), abs=6e-5)
        assert run_length("sd", ratio, n=n) == pytest.approx(float(row["arl_S_chart"]), abs=6e-5)


def test_single_readings_with_their_moving_range() -> None:
    for row in rows("arl_individuals_mr.csv"):
        figure = float(row["individuals_3sigma_plus_MR_3.685887sigma"])
        shift = float(row["shift_sigma"])
        alone = float(row["individuals_3sigma_only"])
        assert run_length("shewhart", shift) == pytest.approx(alone, abs=6e-6)
        exact = run_length("individuals", shift)
        # The table's range limit is rounded, which moves 37.46404 by 3e-6.
        assert exact == pytest.approx(figure, abs=1e-5)


def test_limits_estimated_from_some_subgroups() -> None:
    for row in rows("arl_xbar_estimated.csv"):
        shift, m, n = float(row["shift_in_sigma_xbar"]), int(row["m"]), int(row["n"])
        exact = run_length("shewhart", shift, subgroups=m, n=n)
        assert exact == pytest.approx(float(row["mean_ARL"]), abs=6e-5)
        # Of what limits may turn out to be: the chance of a signal, and spreads of run lengths.
        made, mean, sd = _made("shewhart", shift, n, m, {})
        mixture = _estimated(made, mean, sd, 0, m, n, (136, 60), 2 * made.growth)
        chance = np.array([part.survival()(np.array([1]))[0] for part in mixture.parts])
        chance, weights = 1 - chance, mixture.weights
        assert weights @ chance == pytest.approx(float(row["mean_signal_probability"]), abs=6e-7)
        second = weights @ ((2 - chance) / chance**2)
        known = weights @ (1 / chance**2)
        assert np.sqrt(second - exact**2) == pytest.approx(float(row["SD_of_run_length"]), abs=1e-3)
        assert np.sqrt(known - exact**2) == pytest.approx(
            float(row["SD_of_conditional_ARL"]), abs=1e-3
        )


def test_the_sum_with_half_the_shift_as_its_slack_is_the_best() -> None:
    # Moustakides 1986, Annals of Statistics 14, 1379-1387: the least delay for its false alarms.
    for row in rows("optimal_delay.csv"):
        shift, h = float(row["shift_sigma"]), float(row["h_optimal_k_half_shift"])
        calm, found = (run_length("cusum", at, k=shift / 2, h=h, sides=1) for at in (0, shift))
        assert calm == pytest.approx(float(row["arl0_one_sided"]), rel=2e-7)
        assert found == pytest.approx(float(row["worst_case_delay"]), rel=1e-7)


def test_delays_of_charts_with_the_same_false_alarms() -> None:
    # One-sided, in control 370.398: Shewhart and sums with k 0.25, 0.5 and 1; computed apart.
    limit = 2.782175
    delays = {
        0.25: (176.4331, 62.0118, 81.9201, 124.4301),
        0.5: (88.9719, 23.6759, 27.6853, 47.2819),
        0.75: (47.4654, 13.7916, 13.6441, 21.0735),
        1: (26.7663, 9.6726, 8.5751, 11.1540),
        1.5: (10.0109, 6.0817, 4.8436, 4.7906),
        2: (4.6071, 4.4769, 3.4068, 2.9176),
        3: (1.7059, 3.0068, 2.2311, 1.6743),
    }
    sums = ((0.25, 6.709563), (0.5, 4.096495), (1, 2.175974))
    for shift, (single, *summed) in delays.items():
        found = run_length("shewhart", shift, width=limit, sides=1)
        assert found == pytest.approx(single, abs=2e-4)
        for delay, (k, h) in zip(summed, sums, strict=True):
            found = run_length("cusum", shift, k=k, h=h, sides=1)
            assert found == pytest.approx(delay, abs=6e-5)


def test_trends_in_closed_form() -> None:
    # Permutations without three in a row rising or falling are the up-down ones, whose numbers
    # have the generating function sec x + tan x (André 1881); without k in a row rising:
    # 1 / sum of x^jk / (jk)! - x^(jk+1) / (jk+1)! (David and Barton 1962). Both from memory.
    either = 2 * (1 / np.cos(1) + np.tan(1)) - 2
    only = {"width": np.inf}
    assert run_length("shewhart", rules="3 rising or falling", **only) == pytest.approx(
        either, rel=1e-7
    )
    for k in (3, 4, 6):
        factorials = np.cumprod([1.0, *range(1, 40)])
        total = sum(1 / factorials[k * j] - 1 / factorials[k * j + 1] for j in range(39 // k))
        exact = run_length("shewhart", 0.7, rules=f"{k} rising or falling", sides=1, **only)
        assert exact == pytest.approx(1 / total, rel=1e-7)


def counted_by_turns(count: int) -> float:
    """Mean points until count of them go up and down by turns, counted by their ranks alone."""
    # rose[m, r], fell[m, r]: chance that m steps have gone by turns, the last one up or down, and
    # the last of n points is the r-th lowest: a new one is as likely to stand in any of n + 1 gaps.
    rose, fell = np.zeros((count, 1)), np.zeros((count, 1))
    rose[0] = 1.0
    left = [1.0, 1.0]
    for n in range(1, 60 + 12 * count):
        rises, falls = np.zeros((count, n + 1)), np.zeros((count, n + 1))
        for before, same, other in ((rose, rises, falls), (fell, falls, rises)):
            above = np.cumsum(np.pad(before, ((0, 0), (1, 0))), axis=1) / (n + 1)
            below = above[:, -1:] - above
            again, turned = (above, below) if same is rises else (below, above)
            same[1] += again.sum(axis=0)
            other[2:] += turned[1:-1]
            other[1] += turned[0]
        rises[-1] = falls[-1] = 0.0
        rose, fell = rises, falls
        left.append(float((rose + fell).sum()))
    return sum(left[:-1]) + left[-1] / (1 - left[-1] / left[-2])


@pytest.mark.parametrize("count", [4, 6, 14, 20])
def test_points_up_and_down_by_turns(count: int) -> None:
    exact = run_length("shewhart", width=np.inf, rules=f"{count} up and down")
    assert exact == pytest.approx(counted_by_turns(count), rel=2e-7)
