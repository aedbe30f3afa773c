"""
How soon a slack wire is found, beside charts of bars and an oracle, at equal false alarms.

Run by hand: ``python tests/benchmarks/bench_wire_delay.py [STUDIES [PERCENT ...]]``. Loaves of 11
bars of 24 mm, 5.5 g/mm, base wander 0.15 mm, noise 0.1 g, a scale that shows 0.1 g; wire 5 goes
slack after 50 loaves. All have one false alarm in 300 loaves of the whole cutter, the watch and the
charts with their bases estimated from the 50 loaves before. The oracle knows base, offsets and
noise, and how slack the wire will be, though not which: a cumulative sum of the log likelihood
ratio for each wire, its limit by simulation. Delays count from the first loaf after the wire went
slack to the first signal of any wire; runs that signalled before are left out. Errors are standard
errors of the simulation. A thousand studies take about five minutes a value of PERCENT.

PERCENT is how much loaves differ in grams a millimetre (sd): nothing to the watch, which leaves
that free, and much to a chart of single bars. No source measures it by itself. The reference sheet
on wires, drying and weighing makes its examples with 1 % (A1, section 3.6; 0.77 % in its data) and
1.2 % (A2, 3.7; 1.02 %). Makers state 3.75 to 4.25 oz and 6.4 to 7.4 oz for all bars of a kind
(sheet, 3.1; audit sheet, 7.3): taken for 4 sd, 3.1 and 3.7 %. Wires at the base make 0.9 % of that,
so all else together, loaves not least, 3.0 and 3.6 %.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from wire_cuts import FloatArray, cut, table

import qa_tools as qa
from qa_tools.decisions.wires.sums import wander_gain

WIRES, SLACK, BASE, BEFORE, FALSE_ALARM = 10, 4, 0.15, 50, 300.0
SPACING, NOISE, GRAMS = 24.0, 0.1, 5.5
RATIOS = {1.5: 250, 2.0: 120, 3.0: 60}
BETWEEN = (1.0, 1.2, 3.0)

Cutting = Callable[..., FloatArray]


def cutting(percent: float) -> Cutting:
    """What cuts loaves that differ so much in grams a millimetre."""
    random = np.random.default_rng([20261126, round(1000 * percent)])

    def loaves(count: int, ratio: float = 1.0) -> FloatArray:
        """Bars of so many loaves, wire 5 wandering so many times the base."""
        wander = np.full(WIRES, BASE)
        wander[SLACK] *= ratio
        return cut(
            random, count, wander, spacing=SPACING, noise_g=NOISE, grams_per_mm=GRAMS,
            between=percent / 100,
        )  # fmt: skip

    return loaves


def mean_and_error(values: FloatArray) -> str:
    """A mean with its standard error."""
    return f"{np.mean(values):.2f} (+-{np.std(values) / np.sqrt(len(values)):.2f})"


# Charts: a loaf signals by itself, so with a base the loaves to a signal are 1 over its chance.


def single_bars(bases: FloatArray, after: FloatArray) -> FloatArray:
    """How wide limits must be for each loaf not to signal: bars from the mean of the base's, sd."""
    mean = bases.mean(axis=(1, 2))[:, None]
    sd = bases.std(axis=(1, 2), ddof=1)[:, None]
    far: FloatArray = np.maximum(after.max(axis=1) - mean, mean - after.min(axis=1)) / sd
    return far


def within_loaf(bases: FloatArray, after: FloatArray) -> FloatArray:
    """How wide the upper limit must be for each loaf not to signal: its sd over the base's mean."""
    usual = bases.std(axis=2, ddof=1).mean(axis=1)[:, None]
    shown: FloatArray = after.std(axis=1, ddof=1) / usual
    return shown


def chart_delays(
    shown: Callable[[FloatArray, FloatArray], FloatArray], loaves: Cutting
) -> tuple[str, dict[float, FloatArray]]:
    """In-control run length, and loaves to a signal at each ratio, one a base."""
    from scipy.optimize import brentq

    bases = loaves(300 * BEFORE).reshape(300, BEFORE, -1)
    calm = np.sort(shown(bases, loaves(100_000)), axis=1)

    def run_lengths(values: FloatArray, limit: float) -> FloatArray:
        beyond = values.shape[1] - np.array([np.searchsorted(row, limit) for row in values])
        return values.shape[1] / np.maximum(beyond, 0.5)

    low, high = np.quantile(calm, [0.98, 0.9999])
    limit = brentq(lambda one: run_lengths(calm, one).mean() - FALSE_ALARM, low, high, xtol=1e-6)
    delays = {
        ratio: run_lengths(np.sort(shown(bases, loaves(100_000, ratio)), axis=1), limit)
        for ratio in RATIOS
    }
    return mean_and_error(run_lengths(calm, limit)), delays


# Oracle: scores of loaves with all bars weighed, everything but the loaf's own scale known.


def known_scores(weights: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Standardised score of each wire's displacement in each loaf, and what a loaf tells of it."""
    bars = weights.shape[-1]
    moved = np.eye(bars, WIRES) - np.eye(bars, WIRES, -1)
    noise = (NOISE**2 + 0.1**2 / 12) / GRAMS**2
    inverse = np.linalg.inv(BASE**2 * moved @ moved.T + noise * np.eye(bars))
    inverse -= np.outer(inverse.sum(axis=0), inverse.sum(axis=0)) / inverse.sum()
    felt = inverse @ moved
    information = np.einsum("bw,bw->w", moved, felt)
    widths = weights / weights.mean(axis=-1, keepdims=True) * SPACING
    return widths @ felt / np.sqrt(information), information


def first_signals(gains: FloatArray, limit: float) -> tuple[FloatArray, FloatArray]:
    """First loaf (from 1) and the wire (from 0) whose sum passes the limit; infinity for none."""
    runs, count, _ = gains.shape
    sums, loaf, wire = np.zeros((runs, WIRES)), np.full(runs, np.inf), np.full(runs, -1.0)
    for one in range(count):
        sums = np.maximum(sums + gains[:, one], 0)
        new = np.isinf(loaf) & (sums.max(axis=1) > limit)
        loaf[new], wire[new] = one + 1, sums.argmax(axis=1)[new]
    return loaf, wire


def oracle_limit(ratio: float, loaves: Cutting) -> tuple[float, str]:
    """The limit for one false alarm in 300 loaves, and the run length measured with it."""
    runs, count = 400, 1500
    score, known = known_scores(loaves(runs * count))
    gains = wander_gain(score, known, BASE**2, ratio).reshape(runs, count, WIRES)
    tops = np.zeros((runs, count))
    sums = np.zeros((runs, WIRES))
    for one in range(count):
        sums = np.maximum(sums + gains[:, one], 0)
        tops[:, one] = sums.max(axis=1)
    highest = np.maximum.accumulate(tops, axis=1)

    def run_length(limit: float) -> tuple[float, int]:
        over = highest > limit
        signals = int(over[:, -1].sum())
        lasted = np.where(over[:, -1], over.argmax(axis=1) + 1, count).sum()
        return lasted / max(signals, 1), signals

    low, high = 2.0, 12.0
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if run_length(middle)[0] < FALSE_ALARM else (low, middle)
    length, signals = run_length(high)
    return high, f"{length:.0f} (+-{length / np.sqrt(signals):.0f})"


def oracle_delays(ratio: float, limit: float, loaves: Cutting) -> tuple[FloatArray, FloatArray]:
    """Loaves to a signal after the wire went slack, and whether it is the right wire."""
    runs, after = 8_000, RATIOS[ratio]
    weights = np.concatenate(
        [
            loaves(runs * BEFORE).reshape(runs, BEFORE, -1),
            loaves(runs * after, ratio).reshape(runs, after, -1),
        ],
        axis=1,
    )
    score, known = known_scores(weights)
    loaf, wire = first_signals(wander_gain(score, known, BASE**2, ratio), limit)
    kept = loaf > BEFORE
    return np.minimum(loaf[kept] - BEFORE, after), wire[kept] == SLACK


def watched(weights: FloatArray) -> tuple[float, int]:
    """First loaf that signals after the wire went slack and its wire; none if it did before."""
    study = qa.wires.study(table(weights), spacing_mm=SPACING)
    signals = qa.wires.watch(study, false_alarm=FALSE_ALARM).signals
    if signals.empty:
        return np.inf, 0
    return float(signals["loaf"].iloc[0]), int(signals["wire"].iloc[0])


def watch_run_length(studies: int, loaves: Cutting) -> str:
    """Loaves to a false alarm from the 51st on, in runs that had none before."""
    count = BEFORE + 300
    first = np.array([watched(loaves(count))[0] for _ in range(studies)])
    late = first[first > BEFORE]
    lasted = np.minimum(late, count) - BEFORE
    signals = np.isfinite(late).sum()
    early = np.isfinite(first).sum() - signals
    exposed = (np.minimum(first, BEFORE) - 10).sum()
    length = lasted.sum() / signals
    return (
        f"{length:.0f} (+-{length / np.sqrt(signals):.0f}); "
        f"before the 51st {exposed / early:.0f} (+-{exposed / early**1.5:.0f})"
    )


def watch_delays(ratio: float, studies: int, loaves: Cutting) -> tuple[FloatArray, FloatArray]:
    """Loaves to a signal after the wire went slack, and whether it is the right wire."""
    after, found = RATIOS[ratio], []
    for _ in range(studies):
        weights = np.vstack([loaves(BEFORE), loaves(after, ratio)])
        loaf, wire = watched(weights)
        if loaf > BEFORE:
            found.append((min(loaf - BEFORE, after), wire == SLACK + 1))
    delays, right = np.array(found).T
    return delays, right


def main(studies: int, percent: float) -> None:
    """Print the run lengths, then a row for each ratio of slack to base wander."""
    loaves = cutting(percent)
    print(f"loaves differ by {percent:g} % in grams a millimetre")
    print(f"loaves to a false alarm: watch {watch_run_length(studies, loaves)}", flush=True)
    charts = {}
    for name, shown in (("single bars", single_bars), ("sd within the loaf", within_loaf)):
        length, charts[name] = chart_delays(shown, loaves)
        print(f"loaves to a false alarm: {name} {length}", flush=True)
    for ratio in RATIOS:
        limit, length = oracle_limit(ratio, loaves)
        oracle, named = oracle_delays(ratio, limit, loaves)
        delays, right = watch_delays(ratio, studies, loaves)
        delay = delays.mean()
        bars = charts["single bars"][ratio].mean()
        print(
            f"{ratio} times base: watch {mean_and_error(delays)}, {delay / oracle.mean():.2f} "
            f"times the oracle's {mean_and_error(oracle)} (in control {length}); single bars "
            f"{mean_and_error(charts['single bars'][ratio])}, {bars / delay:.1f} times slower "
            f"({bars / oracle.mean():.1f} than the oracle); sd within the loaf "
            f"{mean_and_error(charts['sd within the loaf'][ratio])}; right wire "
            f"{100 * right.mean():.1f} % (+-{100 * right.std() / np.sqrt(len(right)):.1f}), oracle "
            f"{100 * named.mean():.1f} %",
            flush=True,
        )


if __name__ == "__main__":
    asked = [float(one) for one in sys.argv[1:]] or [2000]
    for share in asked[1:] or BETWEEN:
        main(int(asked[0]), share)
