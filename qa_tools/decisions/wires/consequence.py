"""What a wire's wander and offset do to the bars: spread, fill target, money, rejection."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, TypeAlias

import numpy as np
import pandas as pd

from qa_tools.books.chance import chance_of_rejection
from qa_tools.books.limits import Limits, limits
from qa_tools.books.own import grams, percent
from qa_tools.books.rulebook import Declared, RuleBook
from qa_tools.decisions.target import fill_target
from qa_tools.decisions.wires.advice import advised
from qa_tools.decisions.wires.cutter import FloatArray
from qa_tools.decisions.wires.kinds import scale_of
from qa_tools.decisions.wires.matters import matters, remaining
from qa_tools.decisions.wires.study import WireStudy

CAUSES: Final = ("wander", "offset")
Faces: TypeAlias = tuple[FloatArray, FloatArray]  # wander and offset of each, ends included, mm


def advise(
    study: WireStudy,
    declared: Declared,
    books: str | RuleBook | Sequence[str | RuleBook],
    *,
    loss_percent: float = 0.0,
) -> WireStudy:
    """
    The same study with advice by what the rule books allow, not by a wire's fellows alone.

    Parameters
    ----------
    study : WireStudy
    declared : number of grams, or the label's words
    books : name, RuleBook, or several of them
        The smallest T counts.
    loss_percent : float
        What a bar loses from cutting until the book judges it.

    Returns
    -------
    WireStudy
        With advice and reason of its wires made anew.

    Raises
    ------
    ValueError
        An unknown book, a quantity it does not cover, a loss that is none.

    Notes
    -----
    "retension" takes a chance below 1 % for the cutter, as without a book, and a wander that, above
    that of its fellows, adds a quarter of T or more to the spread (sd) of each bar beside the wire;
    "move" an offset as sure that shifts those bars by as much. Why a quarter: up to a spread of
    T / 1.96 the average alone sets the fill target (2.5 % short by more than T); variances add up,
    so one wire then uses up a quarter of that, and scale, loaf, curing and packing need the rest.
    The share is our judgement, no published source.

    Examples
    --------
    >>> from qa_tools.decisions.wires import study
    >>> random = np.random.default_rng(1)
    >>> strays = random.normal(0, [0.1, 0.1, 0.1, 0.22, 0.1], (80, 5))
    >>> widths = 25 + np.diff(np.pad(strays, ((0, 0), (1, 1))))
    >>> grams = (5.3 * widths + random.normal(0, 0.1, widths.shape)).round(1)
    >>> loaf, slot = np.indices(grams.shape) + 1
    >>> bars = pd.DataFrame({"loaf": loaf.ravel(), "slot": slot.ravel(), "net": grams.ravel()})
    >>> found = study(bars, spacing_mm=25)
    >>> found.wires.loc[3, "advice"], advise(found, "120 g", "eu-76-211").wires.loc[3, "advice"]
    ('retension', 'watch')
    """
    found = matters(study.fit, study.base_mm, declared, books, loss_percent)
    return replace(study, wires=advised(study.wires, found, study.cutter))


@dataclass(frozen=True, eq=False, repr=False)
class Consequence:
    """
    What one wire does to the bars; prints as a short readable summary.

    Attributes
    ----------
    wire : int
        Its number on the cutter.
    name : str
    effect : DataFrame
        Index cause ("wander", "offset"): mm and without_mm (as it is, and as its fellows wander or
        in its place), adds_cut_g and adds_packed_g (to the spread from bar to bar, sd),
        beside_g (what it gives each of the two bars beside it, packed: sd, or shift), target_g and
        without_g (fill target of all books), more_g, money_a_month.
    targets : DataFrame
        One row a cause, book and requirement: event, target_g, without_g, more_g.
    books : DataFrame
        One row a cause and book, at today's mean: chance and chance_without (the official test
        rejects the next lot), short and short_without (share of the two bars beside the wire that
        are short by more than T; NaN where the book has none).
    mean_g, sd_g : float
        Of packed bars: today's mean and spread within a lot.
    risk : float
        Of the fill targets.
    """

    wire: int
    name: str
    effect: pd.DataFrame
    targets: pd.DataFrame
    books: pd.DataFrame
    mean_g: float
    sd_g: float
    risk: float

    def words(self, cause: str, currency: str = "money") -> str:
        """What its wander or its offset does to packed bars, in plain words."""
        effect: dict[str, float] = self.effect.loc[cause].to_dict()  # type: ignore[assignment]
        money = effect["money_a_month"]
        cost = "" if math.isnan(money) else f" ({money:.0f} {currency} a month)"
        fill = f"{grams(effect['more_g'])} more to fill{cost}"
        if effect["more_g"] < 0.05:
            fill = "nothing more to fill, for what one bar gains its neighbour loses"
        said = [f"{grams(effect['adds_packed_g'])} more spread over all bars", fill]
        books = self.books[self.books["cause"] == cause].to_dict("records")
        if told := [book for book in books if not math.isnan(book["short"])]:
            worst = max(told, key=lambda book: float(book["short"] - book["short_without"]))
            said.append(
                f"of the two bars beside it {_share(worst['short'])} short by more than allowed "
                f"under {worst['book']}, else {_share(worst['short_without'])}"
            )
        worst = max(books, key=lambda book: float(book["chance"] - book["chance_without"]))
        if worst["chance"] - worst["chance_without"] >= 0.0005:
            said.append(
                f"an inspection under {worst['book']} fails {_share(worst['chance'])} of lots, "
                f"else {_share(worst['chance_without'])}"
            )
        return "; ".join(said)

    def __str__(self) -> str:
        lines = [f"{self.name}, at {self.mean_g:.1f} g on average:"]
        for cause, mm in self.effect["mm"].items():
            lines.append(f"{cause} {abs(mm):.2f} mm: {self.words(str(cause))}")
        return "\n  ".join(lines)

    __repr__ = __str__


def _share(share: float) -> str:
    """A share in per cent, small ones not rounded away."""
    return percent(share) if share >= 0.001 else "fewer than 0.1 %"


def consequence(
    study: WireStudy,
    wire: int,
    declared: Declared,
    books: str | RuleBook | Sequence[str | RuleBook],
    *,
    lot_size: int,
    loss_percent: float = 0.0,
    mean: float | None = None,
    sd: float | None = None,
    sd_between: float = 0.0,
    risk: float = 0.01,
    cost_per_kg: float = math.nan,
    bars_a_month: float = math.nan,
) -> Consequence:
    """
    What do a wire's wander and its offset cost?

    Against the same cutter with this wire wandering as its fellows do, and with it in its place.

    Parameters
    ----------
    study : WireStudy
    wire : int
        Its number on the cutter.
    declared : number of grams, or the label's words
    books : name, RuleBook, or several of them
    lot_size : int
        Packed bars in a lot.
    loss_percent : float
        What a bar loses from cutting to packing: typical_loss_percent of products.csv.
    mean, sd : float, optional
        Of packed bars, grams, sd within a lot; else what the cut bars of the study lead to expect.
    sd_between : float
        Spread of the means of lots.
    risk : float
        Of the fill targets: how often the next lot may miss a requirement.
    cost_per_kg, bars_a_month : float, optional
        Money a kilogram of packed bars, and how many are packed; NaN leaves the money out.

    Returns
    -------
    Consequence

    Raises
    ------
    ValueError
        A wire the cutter does not have or that has too few loaves to tell, a spread of packed bars
        smaller than the cut alone makes it, or what `fill_target` refuses.

    Notes
    -----
    A wire's wander t adds 2 (K t)² / m to the variance of bars taken at random from loaves of m, K
    grams of a packed bar a millimetre; an offset likewise. It adds nothing to the average of whole
    loaves: what one bar gains its neighbour loses. So where the average sets the fill target, a
    wire costs no fill, and what it costs is bars that differ.

    Target and chance take all bars of a lot for one normal spread. In truth the two beside the wire
    spread more than their fellows. In loaves of 9, up to four times the base wander, that moves the
    target of the official test by less than 0.1 g (simulated); but light bars come more often than
    the spread of all shows, so the share short is given for those two.

    Examples
    --------
    >>> from qa_tools.decisions.wires import study
    >>> random = np.random.default_rng(1)
    >>> strays = random.normal(0, [0.15, 0.15, 0.15, 0.6, 0.15], (60, 5))
    >>> widths = 25 + np.diff(np.pad(strays, ((0, 0), (1, 1))))
    >>> grams = (5.3 * widths + random.normal(0, 0.1, widths.shape)).round(1)
    >>> loaf, slot = np.indices(grams.shape) + 1
    >>> bars = pd.DataFrame({"loaf": loaf.ravel(), "slot": slot.ravel(), "net": grams.ravel()})
    >>> found = consequence(study(bars, spacing_mm=25), 4, "120 g", "uk-2006-659", lot_size=108,
    ...                     loss_percent=8, cost_per_kg=9, bars_a_month=2000)
    >>> found.effect.loc["wander", ["adds_packed_g", "more_g", "money_a_month"]].round(1).tolist()
    [1.2, 0.0, 0.0]
    """
    face = study.cutter.face(wire)
    if not 1 <= face < study.cutter.bars:
        numbers = [study.cutter.number(one) for one in (1, study.cutter.bars - 1)]
        raise ValueError(f"there is no wire {wire}: they are {numbers[0]} to {numbers[1]}")
    name = study.cutter.name(face)
    if math.isnan(study.wires["wander_mm"].iloc[face - 1]):
        raise ValueError(f"{name} has too few loaves since its service to tell what it does")
    left = remaining(loss_percent)
    now = _faces(study)
    cut = _Bars.cut(study, left)
    packed = replace(
        cut,
        mean_g=cut.mean_g if mean is None else mean,
        common=cut.common if sd is None else sd**2 - cut.spread(now),
    )
    if packed.common <= 0:
        raise ValueError(
            f"sd={sd:g} g of packed bars is less than the wires alone make it, "
            f"{math.sqrt(cut.spread(now)):.2f} g: give it within lots of bars cut on this cutter"
        )
    chosen = [books] if isinstance(books, str | RuleBook) else list(books)
    lots: dict[str, Any] = {"lot_size": lot_size, "sd_between": sd_between}
    as_it_is = fill_target(packed.sd(now), declared, chosen, risk=risk, **lots)
    table = as_it_is.requirements[["book", "requirement", "event", "mean_g"]]
    table = table.rename(columns={"mean_g": "target_g"})
    effects, targets, chances = [], [], []
    for cause in CAUSES:
        other = _without(cause, face, now, study.base_mm)
        without = fill_target(packed.sd(other), declared, chosen, risk=risk, **lots)
        # What one bar gains its neighbour loses: the average of whole loaves stays as it is.
        less = without.requirements["mean_g"].where(
            table["requirement"] != "average", table["target_g"]
        )
        more = as_it_is.target - float(less.max())
        at = CAUSES.index(cause)
        mm, instead = float(now[at][face]), float(other[at][face])
        effects.append({
            "cause": cause, "mm": mm, "without_mm": instead,
            "adds_cut_g": (cut.sd(now) - cut.sd(other)) / left,
            "adds_packed_g": packed.sd(now) - packed.sd(other),
            "beside_g": packed.grams_per_mm * math.sqrt(mm**2 - instead**2),
            "target_g": as_it_is.target, "without_g": float(less.max()), "more_g": more,
            "money_a_month": more / 1000 * cost_per_kg * bars_a_month,
        })  # fmt: skip
        targets.append(table.assign(cause=cause, without_g=less, more_g=table["target_g"] - less))
        for book in chosen:
            limit = limits(declared, book)
            chance, chance_without = (
                chance_of_rejection(packed.mean_g, packed.sd(faces), declared, book, **lots)
                for faces in (now, other)
            )
            chances.append({
                "cause": cause, "book": limit.book.name,
                "chance": chance, "chance_without": chance_without,
                "short": packed.short(limit, face, now),
                "short_without": packed.short(limit, face, other),
            })  # fmt: skip
    return Consequence(
        wire,
        name,
        pd.DataFrame(effects).set_index("cause"),
        pd.concat(targets, ignore_index=True)[
            ["cause", "book", "requirement", "event", "target_g", "without_g", "more_g"]
        ],
        pd.DataFrame(chances),
        packed.mean_g,
        packed.sd(now),
        risk,
    )


@dataclass(frozen=True)
class _Bars:
    """Bars of one cutter, packed: their mean, and what spreads them besides the wires."""

    grams_per_mm: float
    mean_g: float
    common: float

    @classmethod
    def cut(cls, study: WireStudy, left: float) -> _Bars:
        """As the cut bars of a study lead to expect, of which so large a share is left."""
        fit = study.fit
        scale = pd.Series(scale_of(fit.loaves, fit.cutter)[fit.kind >= 0])
        labels = fit.loaves.labels[fit.kind >= 0]
        batch = labels.get_level_values(0) if labels.nlevels > 1 else np.zeros(len(labels))
        away = scale - scale.groupby(np.asarray(batch)).transform("mean")
        degrees = max(len(scale) - len(set(batch)), 1)
        of_loaf = float((away**2).sum()) / degrees * float(fit.cutter.spacing.mean()) ** 2
        return cls(
            grams_per_mm=left / fit.mm_per_gram,
            mean_g=float(np.nanmean(fit.loaves.weights)) * left,
            common=left**2 * (study.noise_g**2 + of_loaf),
        )

    def of_bars(self, faces: Faces) -> tuple[FloatArray, FloatArray]:
        """Shift and variance of each bar."""
        wander, offset = faces
        shift: FloatArray = self.grams_per_mm * np.diff(offset)
        return shift, self.grams_per_mm**2 * (wander[:-1] ** 2 + wander[1:] ** 2)

    def spread(self, faces: Faces) -> float:
        """What the wires add to the variance of bars taken at random."""
        shift, variance = self.of_bars(faces)
        return float(np.var(shift) + variance.mean())

    def sd(self, faces: Faces) -> float:
        """Spread of bars taken at random."""
        return math.sqrt(self.common + self.spread(faces))

    def short(self, limit: Limits, face: int, faces: Faces) -> float:
        """Share of the two bars beside a wire that are short by more than T."""
        from scipy.special import ndtr

        if not math.isfinite(limit.short_g):
            return math.nan
        beside = slice(face - 1, face + 1)
        shift, variance = (one[beside] for one in self.of_bars(faces))
        above = (limit.short_g - self.mean_g - shift) / np.sqrt(self.common + variance)
        return float(ndtr(above).mean())


def _faces(study: WireStudy) -> Faces:
    """Wander and offset of all faces now, ends included, mm."""
    wander, offset = np.zeros(study.cutter.bars + 1), np.zeros(study.cutter.bars + 1)
    wander[1:-1] = study.wires["wander_mm"].fillna(study.base_mm)
    offset[1:-1] = study.wires["offset_mm"].fillna(0.0)
    wander[-1] = np.nan_to_num(study.remainder_mm)
    return wander, offset


def _without(cause: str, face: int, now: Faces, base: float) -> Faces:
    """The same faces with one wire as its fellows, or in its place."""
    wander, offset = now[0].copy(), now[1].copy()
    if cause == "wander":
        wander[face] = min(wander[face], base)
    else:
        offset[face] = 0.0
    return wander, offset
