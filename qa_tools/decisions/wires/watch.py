"""Watching a cutter loaf by loaf: which wire began to wander or moved, and since which loaf."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from qa_tools.decisions.wires.cutter import FloatArray, IntArray
from qa_tools.decisions.wires.fit import Fit
from qa_tools.decisions.wires.innovations import Innovations, innovations
from qa_tools.decisions.wires.limits import SHIFT, SLACK, limits
from qa_tools.decisions.wires.study import WireStudy
from qa_tools.decisions.wires.sums import move_gain, rising, wander_gain

# The first loaves only make a base; it is made anew from all so far after as many, or a quarter.
FIRST: Final = 10
# Tried when the loaf it began with is looked for: times the base wander, and base wanders moved.
RATIOS: Final = (1.3, 1.5, 2.0, 3.0, 4.5)
SHIFTS: Final = (0.5, 1.0, 2.0, 3.0, 4.5)


@dataclass(frozen=True, eq=False, repr=False)
class WireWatch:
    """
    What watching the wires from loaf to loaf would have told, and when.

    Attributes
    ----------
    signals : DataFrame
        One row a signal, in order: wire, between, what ("wanders" or "moved"), loaf (that signals),
        since (the loaf it most likely began with), since_from and since_to (95 % sure between
        these), still (whether it lasts to the last loaf or the wire's next service; where it faded,
        it may have been chance).
    wander_sums, move_sums : DataFrame
        One row a loaf, one column a wire: the sums that signal above ``wander_limit`` and
        ``move_limit``; NaN while a base is made.
    wander_limit, move_limit : float
    false_alarm : float
        Loaves to a false alarm on any wire, on average, the base estimated.
    """

    signals: pd.DataFrame
    wander_sums: pd.DataFrame
    move_sums: pd.DataFrame
    wander_limit: float
    move_limit: float
    false_alarm: float

    def __repr__(self) -> str:
        if self.signals.empty:
            return "no wire gave a signal"
        return self.signals.to_string(index=False)


def watch(study: WireStudy, *, false_alarm: float = 300) -> WireWatch:
    """
    Which wire began to wander or moved, as loaf after loaf would have told?

    Parameters
    ----------
    study : WireStudy
    false_alarm : float
        Loaves to a false alarm on any wire of the cutter, on average. With one in 300, a wire that
        wanders twice as much as its fellows is found after about 10 loaves.

    Returns
    -------
    WireWatch

    Raises
    ------
    ValueError
        Fewer than 50 or more than 100,000 loaves to a false alarm.

    Notes
    -----
    Each loaf is held against what the loaves before it lead to expect: offsets by recursive least
    squares, one base wander for all wires, from the first 10 loaves and anew after 10 more, or a
    quarter more, without the wires that signal. What is left is independent from loaf to loaf.
    Two cumulative sums of log likelihood ratios a wire, restarted at 0 (Page 1954, Biometrika 41,
    100-115, from memory): for a wander 1.8 times the base, and for a move by one base wander.
    Limits are for known bases by Markov chain, with an allowance for estimation.

    Examples
    --------
    >>> from qa_tools.decisions.wires import study
    >>> random = np.random.default_rng(2)
    >>> sds = np.full((60, 5), 0.15)
    >>> sds[40:, 3] = 0.6
    >>> widths = 25 + np.diff(np.pad(random.normal(0, sds), ((0, 0), (1, 1))))
    >>> grams = (5.8 * widths + random.normal(0, 0.1, widths.shape)).round(1)
    >>> loaf, slot = np.indices(grams.shape) + 1
    >>> table = pd.DataFrame({"loaf": loaf.ravel(), "slot": slot.ravel(), "net": grams.ravel()})
    >>> watch(study(table, spacing_mm=25)).signals[["wire", "what"]].values.tolist()
    [[4, 'wanders']]
    """
    if not 50 <= false_alarm <= 1e5:
        raise ValueError(f"false_alarm={false_alarm}: give 50 to 100,000 loaves")
    fit = study.unsplit
    wander_limit, move_limit = limits(false_alarm, fit.cutter.bars - 1)
    shape = (len(fit.kind), fit.cutter.bars - 1)
    seen = Innovations(np.full(shape, np.nan), np.zeros(shape), np.full(len(fit.kind), np.nan))
    wander, move = np.full(shape, np.nan), np.full(shape, np.nan)
    told = np.flatnonzero(fit.kind >= 0)
    alarms: dict[int, list[_Alarm]] = {}
    begin = FIRST
    while begin < len(told):
        ahead = max(FIRST, begin // 4)
        block = told[begin : begin + ahead]
        apart = [spell for spell, found in alarms.items() if found and found[-1].still]
        new = innovations(fit, told[:begin], block, apart)
        seen.score[block], seen.known[block], seen.base[block] = new.score, new.known, new.base
        for spell, (face, _, _) in enumerate(fit.sources.spells):
            rows = _watched(fit, spell, seen)
            at = rows, np.full_like(rows, face - 1)
            score, known, base = seen.score[at], seen.known[at], seen.base[rows]
            sums = np.stack([
                rising(wander_gain(score, known, base**2, SLACK)),
                rising(move_gain(score, known, SHIFT * base)),
                rising(move_gain(score, known, -SHIFT * base)),
            ])  # fmt: skip
            wander[at], move[at] = sums[0], sums[1:].max(axis=0)
            alarms[spell] = _alarms(sums, np.array([wander_limit, move_limit, move_limit]))
        begin += ahead
    columns, labels = study.scores.columns, fit.loaves.labels
    rows_of = {spell: _watched(fit, spell, seen) for spell in alarms}
    found = sorted(
        (
            (rows_of[spell][alarm.signal], spell, alarm)
            for spell in alarms
            for alarm in alarms[spell]
        ),
        key=lambda one: one[:2],
    )
    names = ["wire", "between", "what", "loaf", "since", "since_from", "since_to", "still"]
    signals = [_signal(fit, spell, alarm, seen) for _, spell, alarm in found]
    return WireWatch(
        signals=pd.DataFrame(signals, columns=names),
        wander_sums=pd.DataFrame(wander, labels, columns),
        move_sums=pd.DataFrame(move, labels, columns),
        wander_limit=wander_limit,
        move_limit=move_limit,
        false_alarm=false_alarm,
    )


def _watched(fit: Fit, spell: int, seen: Innovations) -> IntArray:
    """The loaves of a wire between services that a base was there for."""
    face = fit.sources.spells[spell][0]
    return np.flatnonzero((fit.sources.variance[:, face] == spell) & ~np.isnan(seen.base))


@dataclass(frozen=True)
class _Alarm:
    """A sum that rose above its limit and fell to 0 again, counted in loaves watched."""

    signal: int
    end: int
    still: bool


def _alarms(sums: FloatArray, limits: FloatArray) -> list[_Alarm]:
    """The alarms of one wire between services, one after the other."""
    found, start, loaves = list[_Alarm](), 0, sums.shape[1]
    above = sums > limits[:, None]
    while above[:, start:].any():
        signal = start + int(above[:, start:].any(axis=0).argmax())
        fallen = np.flatnonzero(~(sums[above[:, signal], signal:] > 0).any(axis=0))
        end = signal + int(fallen[0]) if len(fallen) else loaves
        found.append(_Alarm(signal, end, not len(fallen)))
        start = end
    return found


def _signal(fit: Fit, spell: int, alarm: _Alarm, seen: Innovations) -> list[Any]:
    """What happened to a wire, and since when: a flat prior over loaves and sizes of change."""
    face = fit.sources.spells[spell][0]
    rows = _watched(fit, spell, seen)[: alarm.end]
    wire, base = (seen.score[rows, face - 1], seen.known[rows, face - 1]), seen.base[rows]
    ways = {
        "wanders": [wander_gain(*wire, base**2, ratio) for ratio in RATIOS],
        "moved": [move_gain(*wire, side * one * base) for one in SHIFTS for side in (1, -1)],
    }
    logs = {}
    for what, gains in ways.items():
        # From each loaf on to the last, what a change with that loaf makes of all that followed.
        onwards = np.cumsum(np.array(gains)[:, ::-1], axis=1)[:, ::-1]
        logs[what] = np.logaddexp.reduce(onwards, axis=0) - np.log(len(gains))
    what = max(logs, key=lambda one: float(np.logaddexp.reduce(logs[one])))
    weight = np.exp(logs[what] - logs[what].max())
    share = np.cumsum(weight) / weight.sum()
    low, high = np.searchsorted(share, [0.025, 0.975])
    label = fit.loaves.labels
    return [
        fit.cutter.number(face),
        f"bars {face} and {face + 1}",
        what,
        label[rows[alarm.signal]],
        *(label[rows[one]] for one in (int(weight.argmax()), int(low), int(high))),
        alarm.still,
    ]
