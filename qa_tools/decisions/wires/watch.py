"""Watching a cutter loaf by loaf: which wire began to wander or moved, and since which loaf."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd

from qa_tools.decisions.wires.cutter import FloatArray, IntArray
from qa_tools.decisions.wires.fit import Fit
from qa_tools.decisions.wires.innovations import Innovations, innovations, places
from qa_tools.decisions.wires.study import WireStudy
from qa_tools.decisions.wires.sums import SHIFT, SLACK, limits, move_gain, rising, wander_gain

# The first loaves only make a base; it is made anew from all so far after as many, or a quarter.
FIRST: Final = 10
# When the loaf it began with is looked for: so many times the base wander, each as likely, and
# moves of this sd, in base wanders.
RATIOS: Final = (1.3, 1.5, 2.0, 3.0, 4.5)
MOVES: Final = 3.0


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
    place, doubt = places(fit)
    told = np.flatnonzero(fit.kind >= 0)
    alarms: dict[int, list[_Alarm]] = {}
    begin = FIRST
    while begin < len(told):
        ahead = max(FIRST, begin // 4)
        block = told[begin : begin + ahead]
        apart = [spell for spell, found in alarms.items() if found and found[-1].still]
        new = _eased(innovations(fit, told[:begin], block, apart), study.rough_mm[block])
        seen.score[block], seen.known[block], seen.base[block] = new.score, new.known, new.base
        for spell in range(len(fit.sources.spells)):
            wire = _watched(fit, spell, seen, place, doubt)
            sums = _sums(wire)
            at = wire.rows, np.full_like(wire.rows, wire.face - 1)
            wander[at], move[at] = sums[0], sums[1:].max(axis=0)
            alarms[spell] = _alarms(sums, np.array([wander_limit, move_limit, move_limit]))
        begin += ahead
    columns, labels = study.scores.columns, fit.loaves.labels
    signals = []
    for spell, of_wire in alarms.items():
        wire = _watched(fit, spell, seen, place, doubt)
        for found in (one for alarm in of_wire for one in _found(wire, alarm, move_limit)):
            dates = (found.alarm.signal, found.since, found.earliest, found.latest)
            row = [
                fit.cutter.number(wire.face),
                f"bars {wire.face} and {wire.face + 1}",
                found.what,
                *(labels[wire.rows[one]] for one in dates),
                found.alarm.still,
            ]
            signals.append((int(wire.rows[found.alarm.signal]), -found.alarm.above, row))
    signals.sort(key=lambda one: one[:2])
    names = ["wire", "between", "what", "loaf", "since", "since_from", "since_to", "still"]
    return WireWatch(
        signals=pd.DataFrame([row for _, _, row in signals], columns=names),
        wander_sums=pd.DataFrame(wander, labels, columns),
        move_sums=pd.DataFrame(move, labels, columns),
        wander_limit=wander_limit,
        move_limit=move_limit,
        false_alarm=false_alarm,
    )


def _eased(seen: Innovations, rough_mm: FloatArray) -> Innovations:
    """Loaves that all wires cut roughly, held against the wander of all of them in these."""
    base = np.maximum(seen.base, rough_mm)
    grown = 1 + seen.known * (base**2 - seen.base**2)[:, None]
    return Innovations(seen.score / np.sqrt(grown), seen.known / grown, base)


@dataclass(frozen=True, eq=False)
class _Watched:
    """
    A wire between services, in the loaves a base was there for.

    Attributes
    ----------
    face : int
    rows : array of shape (loaves,)
    score, known, base : array of shape (loaves,)
        From ``innovations``.
    place, doubt : array of shape (before + loaves,)
        From ``places``, with those of the loaves before the first base.
    """

    face: int
    rows: IntArray
    score: FloatArray
    known: FloatArray
    base: FloatArray
    place: FloatArray
    doubt: FloatArray


def _watched(
    fit: Fit, spell: int, seen: Innovations, place: FloatArray, doubt: FloatArray
) -> _Watched:
    """One wire between services."""
    face = fit.sources.spells[spell][0]
    rows = np.flatnonzero(fit.sources.variance[:, face] == spell)
    wire = face - 1
    based = rows[~np.isnan(seen.base[rows])]
    return _Watched(
        face,
        based,
        seen.score[based, wire],
        seen.known[based, wire],
        seen.base[based],
        place[rows, wire],
        doubt[rows, wire],
    )


def _sums(wire: _Watched) -> FloatArray:
    """The sum for wander, and those for a move away from the stop and towards it."""
    told = wire.score, wire.known
    return np.stack([
        rising(wander_gain(*told, wire.base**2, SLACK)),
        rising(move_gain(*told, SHIFT * wire.base)),
        rising(move_gain(*told, -SHIFT * wire.base)),
    ])  # fmt: skip


@dataclass(frozen=True)
class _Alarm:
    """A sum that rose above its limit and fell to 0 again, counted in loaves watched."""

    signal: int
    end: int
    still: bool
    above: float


def _alarms(sums: FloatArray, limits: FloatArray) -> list[_Alarm]:
    """The alarms of one wire between services, one after the other."""
    found, start, loaves = list[_Alarm](), 0, sums.shape[1]
    over = sums - limits[:, None]
    while (over[:, start:] > 0).any():
        signal = start + int((over[:, start:] > 0).any(axis=0).argmax())
        fallen = np.flatnonzero(~(sums[over[:, signal] > 0, signal:] > 0).any(axis=0))
        end = signal + int(fallen[0]) if len(fallen) else loaves
        found.append(_Alarm(signal, end, not len(fallen), float(over[:, signal].max())))
        start = end
    return found


@dataclass(frozen=True)
class _Found:
    """What an alarm was and when it began: most likely, and 95 % sure between two loaves."""

    alarm: _Alarm
    what: str
    since: int
    earliest: int
    latest: int


def _found(wire: _Watched, alarm: _Alarm, move_limit: float) -> list[_Found]:
    """
    What happened to a wire, and since when: a flat prior over loaves and sizes of change.

    A wander may grow, which no later loaf must be taken to deny: its beginning is looked for in the
    loaves up to the signal. A move stays as it is, so all that follow tell of it; where they are
    sure that it came after the signal, the signal was one of chance and ends where the move begins.
    """
    ratios = np.array([
        wander_gain(wire.score, wire.known, wire.base**2, one) for one in RATIOS
    ])  # fmt: skip
    wandered, moved = _wandered(ratios, alarm.end), _moved(wire, alarm.end)
    so_far = slice(alarm.signal + 1)
    if np.logaddexp.reduce(wandered[so_far]) > np.logaddexp.reduce(moved[so_far]):
        return [_dated(alarm, "wanders", _wandered(ratios, alarm.signal + 1))]
    later = _dated(alarm, "moved", moved)
    if later.earliest <= alarm.signal:
        return [_dated(alarm, "moved", moved[so_far])]
    chance = replace(alarm, end=later.since, still=False)
    steps = np.array([
        move_gain(wire.score, wire.known, side * SHIFT * wire.base)[later.since : alarm.end]
        for side in (1, -1)
    ])  # fmt: skip
    over = np.cumsum(steps, axis=1).max(axis=0) - move_limit
    signal = int((over > 0).argmax())
    again = replace(alarm, signal=later.since + signal, above=float(over[signal]))
    return [*_found(wire, chance, move_limit), replace(later, alarm=again)]


def _wandered(ratios: FloatArray, end: int) -> FloatArray:
    """Log likelihood ratio, ratios averaged, of more wander from each loaf on to an end."""
    sums = np.cumsum(ratios[:, :end][:, ::-1], axis=1)[:, ::-1]
    logs: FloatArray = np.logaddexp.reduce(sums, axis=0) - np.log(len(ratios))
    return logs


def _moved(wire: _Watched, end: int) -> FloatArray:
    """
    Log likelihood ratio, moves averaged, of another place from each loaf on to an end.

    Places before and after are both estimated, by all loaves since the service.
    """
    before = len(wire.place) - len(wire.rows)
    until = before + end
    weight = 1 / (wire.doubt[:until] + wire.base[0] ** 2)
    known = np.concatenate([[0.0], np.cumsum(np.nan_to_num(weight))])
    sums = np.concatenate([[0.0], np.cumsum(np.nan_to_num(weight * wire.place[:until]))])
    first = np.maximum(known[before:-1], 1e-9)
    second = np.maximum(known[-1] - known[before:-1], 1e-9)
    apart = (sums[-1] - sums[before:-1]) / second - sums[before:-1] / first
    doubt, spread = 1 / first + 1 / second, (MOVES * wire.base[0]) ** 2
    logs: FloatArray = (apart**2 / doubt * spread / (doubt + spread) - np.log1p(spread / doubt)) / 2
    return logs


def _dated(alarm: _Alarm, what: str, logs: FloatArray) -> _Found:
    """An alarm with the loaf it began with, each loaf as likely beforehand."""
    weight = np.exp(logs - logs.max())
    share = np.cumsum(weight) / weight.sum()
    low, high = np.searchsorted(share, [0.025, 0.975])
    return _Found(alarm, what, int(weight.argmax()), int(low), int(high))
