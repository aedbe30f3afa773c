"""
How soon a slack wire is found, beside charts of bars and an oracle, at equal false alarms.

Run by hand: ``python tests/benchmarks/bench_watch.py [STUDIES]``. Loaves of 11 bars, base wander
0.15 mm, weighing noise 0.15 g, weight per mm varying 1 % between loaves; wire 5 goes slack after
40 loaves. One false alarm in 300 loaves for each: the watch has its base to estimate; the oracle
knows base, offsets and how slack the wire will be, though not which; the charts know mean and sd.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from wire_cuts import FloatArray, cut, table

import qa_tools as qa
from qa_tools.decisions.wires.limits import wander_run_length

WIRES, SLACK, BASE, BEFORE, FALSE_ALARM = 10, 4, 0.15, 40, 300.0


def bars(weights: FloatArray) -> FloatArray:
    """Farthest bar of each loaf from the mean: what a chart of single bars shows."""
    return np.abs(weights - 5.85 * 25).max(axis=1)


def within(weights: FloatArray) -> FloatArray:
    """Standard deviation within each loaf."""
    return weights.std(axis=1, ddof=1)


def level(shown: Callable[[FloatArray], FloatArray], random: np.random.Generator) -> float:
    """What is exceeded once in 300 loaves."""
    calm = shown(cut(random, 300_000, np.full(WIRES, BASE)))
    return float(np.quantile(calm, 1 - 1 / FALSE_ALARM))


def oracle_delay(ratio: float) -> float:
    """Loaves to a signal of the sum made for this ratio, any of the wires, all known, from 0."""
    from scipy.optimize import brentq

    limit = brentq(
        lambda one: np.log(wander_run_length(one, design=ratio) / (FALSE_ALARM * WIRES)), 1, 20
    )
    return wander_run_length(limit, ratio, design=ratio)


def watch_delays(ratio: float, studies: int, random: np.random.Generator) -> tuple[float, ...]:
    """Mean delay of the watch, its error, and the share of first signals that name the wire."""
    delays, right = [], []
    loaves = BEFORE + (200 if ratio < 2 else 80)
    wander = np.full((loaves, WIRES), BASE)
    wander[BEFORE:, SLACK] *= ratio
    for _ in range(studies):
        study = qa.wires.study(table(cut(random, loaves, wander)), spacing_mm=25)
        signals = qa.wires.watch(study, false_alarm=FALSE_ALARM).signals
        late = signals[signals["loaf"] > BEFORE]
        if (signals["loaf"] <= BEFORE).any():
            continue
        delays.append(late["loaf"].iloc[0] - BEFORE if len(late) else loaves - BEFORE)
        right.append(bool(len(late)) and late["wire"].iloc[0] == SLACK + 1)
    error = np.std(delays) / np.sqrt(len(delays))
    return float(np.mean(delays)), float(error), float(np.mean(right))


def main(studies: int) -> None:
    """Print the delays at each ratio of slack to base wander."""
    random = np.random.default_rng(20261126)
    limits = {"bars": level(bars, random), "within": level(within, random)}
    for ratio in (1.5, 2.0, 3.0):
        wander = np.full(WIRES, BASE)
        wander[SLACK] *= ratio
        slack = cut(random, 200_000, wander)
        chart = 1 / np.mean(bars(slack) > limits["bars"])
        spread = 1 / np.mean(within(slack) > limits["within"])
        oracle = oracle_delay(ratio)
        delay, error, right = watch_delays(ratio, studies, random)
        print(
            f"{ratio} times base: watch {delay:.1f} (+-{error:.1f}) loaves, oracle {oracle:.1f} "
            f"({delay / oracle:.2f} times), single bars {chart:.0f} ({chart / delay:.1f} times "
            f"slower), sd within the loaf {spread:.0f}; right wire {100 * right:.1f} %"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)
