"""Which wire wanders, and which stands off its place: a study of all loaves cut on one cutter."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from qa_tools.decisions.wires.advice import NOTHING, advised
from qa_tools.decisions.wires.cutter import Cutter, FloatArray, IntArray, cutter
from qa_tools.decisions.wires.estimate import estimate
from qa_tools.decisions.wires.fellows import against_fellows
from qa_tools.decisions.wires.fit import Fit, displacements, fit
from qa_tools.decisions.wires.knocks import knocks
from qa_tools.decisions.wires.loaves import Loaves, loaves_of
from qa_tools.decisions.wires.matters import matters
from qa_tools.decisions.wires.oddities import Oddity, oddities, without
from qa_tools.decisions.wires.rough import Rough, rough
from qa_tools.decisions.wires.services import Service, first_loaves, services_of

if TYPE_CHECKING:
    import plotly.graph_objects as go


@dataclass(frozen=True, eq=False, repr=False)
class WireStudy:
    """
    What the weights of cut bars say of the wires that cut them.

    Attributes
    ----------
    wires : DataFrame
        One row a wire, since its last service: wire (its number on the cutter), between (the bars
        on its sides), since (the first loaf that tells of it), until, loaves, offset_mm (how far it
        stands off its place, away from the stop positive) with offset_lower and offset_upper,
        offset_chance (of any wire standing off so clearly when all stand true), wander_mm (its sd
        from cut to cut) with wander_lower and wander_upper, chance (of any wire wandering so far
        above its fellows when all wander alike), advice ("retension", "move", "watch", "leave") and
        reason (one sentence). NaN where too few loaves tell.
    history : DataFrame
        The same for each wire between services, without the chances; after says what was done
        to it before (column what of the services), empty where nothing was.
    displacements : DataFrame
        One row a loaf, one column a wire: where its face most likely lay in this loaf, mm.
    scores : DataFrame
        The same shape: these standardised to mean 0 and sd 1 for a wire that does as the study
        says. NaN where the loaf tells nothing of the wire.
    causes : DataFrame
        What moves all faces of a loaf together, to look at before any wire: cause, size_mm (sd from
        loaf to loaf, or the steady shift, of the face it moves most), chance, words. The figures of
        wires are beside these. Where the wander of all wires rose at once, their histories begin
        anew; a single batch that all of them cut roughly tells nothing of wires.
    knocks : DataFrame
        One row a wire that was off its place all at once, and no service says why: wire, between,
        loaf (the first cut after it), by_mm. Its history begins anew there, as after a service.
    set_aside : DataFrame
        One row a bar left out of the study, since no wire explains it but a slip does: loaf, slot,
        net, words. Nothing is left out of anything else for it.
    rough_mm : array of shape (loaves,)
        Wander of all wires since it rose on all of them at once (see causes), mm; 0 before.
    base_mm : float
        Wander of the wires that wander alike.
    noise_g : float
        Noise of one bar, from the scale and the section along the loaf: sd, grams.
    remainder_mm : float
        Sd of what the last bar takes, cut from a stop, in the longest loaves; else NaN.
    confidence : float
        Of the intervals.
    fit : Fit
        The fitted model, for what builds on it.
    unsplit : Fit
        The same with histories that only services begin anew, as watching sees them.
    """

    wires: pd.DataFrame
    history: pd.DataFrame
    displacements: pd.DataFrame
    scores: pd.DataFrame
    causes: pd.DataFrame
    knocks: pd.DataFrame
    set_aside: pd.DataFrame
    rough_mm: FloatArray
    base_mm: float
    noise_g: float
    remainder_mm: float
    confidence: float
    fit: Fit
    unsplit: Fit

    @property
    def cutter(self) -> Cutter:
        """The cutter studied."""
        return self.fit.cutter

    @property
    def finding(self) -> str:
        """What to do first, in one line without a full stop."""
        lines = [f"{cause.cause}: {cause.words}" for cause in self.causes.itertuples()]
        for advice in ("retension", "move"):
            rows = self.wires[self.wires["advice"] == advice]
            lines += [f"{advice}: {reason}" for reason in rows["reason"]]
        return lines[0] if lines else f"no wire stands out: {NOTHING}"

    def figure(self) -> go.Figure:
        """The map of the cutter: wires across, loaves down, displacement as colour."""
        from qa_tools.decisions.wires.watch import watch
        from qa_tools.pictures.wires import cutter_map

        return cutter_map(self, watch(self))

    def wander_figure(self) -> go.Figure:
        """The wander of each wire over its last loaves, against its limit."""
        from qa_tools.decisions.wires.watch import watch
        from qa_tools.decisions.wires.windows import windows
        from qa_tools.pictures.wires import wander_over_time

        found = watch(self)
        return wander_over_time(self, found, windows(self, found))

    def loaf_figure(self) -> go.Figure:
        """The latest loaves with their cut faces where the model puts them, exaggerated."""
        from qa_tools.pictures.wires import latest_loaves

        return latest_loaves(self)

    def __repr__(self) -> str:
        shown = self.wires[["wire", "between", "loaves", "offset_mm", "wander_mm"]].copy()
        shown["from"], shown["to"] = self.wires["wander_lower"], self.wires["wander_upper"]
        shown["chance"], shown["advice"] = self.wires["chance"], self.wires["advice"]
        table = shown.to_string(index=False, float_format="{:.3f}".format)
        return f"{self.finding}\n{table}"


def study(
    bars: pd.DataFrame,
    *,
    spacing_mm: float | Sequence[float] | FloatArray,
    ends: str = "both trimmed",
    services: pd.DataFrame | None = None,
    noise_g: float | None = None,
    net: str = "net",
    end_wires_counted: bool = False,
    confidence: float = 0.95,
) -> WireStudy:
    """
    Which wire of a cutter wanders from cut to cut, and which stands off its place?

    Wire j makes the face between bar j and bar j + 1: where it strays, one bar gains what its
    neighbour loses. Weigh whole loaves as cut, before bevelling or planing.

    Parameters
    ----------
    bars : DataFrame
        One row a bar: loaf, slot (1 at the stop), net (grams). Loaves in the order they were cut,
        or with a column when. Bars may be missing. Columns batch (loaves are counted anew in each),
        bars (how many the loaf was cut into) and cutter are heeded where there.
    spacing_mm : float or sequence of float
        Width of a bar, or of each bar from the stop on.
    ends : str
        ``"both trimmed"``: both ends of a loaf lie where they should, mould faces or trimmed;
        ``"from a stop"``: the last bar takes what is left of the loaf.
    services : DataFrame, optional
        One row a service of a wire, as in wires.csv: wire and when (loaves cut that day or later
        come after it), or wire and loaf (the first cut after it). Each but "inspected" (column
        what) begins the history of that wire anew.
    noise_g : float, optional
        Sd of what the scale and an uneven section add to one bar, grams, where known; else it is
        estimated, at the least the rounding of the scale.
    net : str
        The column of weights.
    end_wires_counted : bool
        Whether the numbers on the cutter count the wire that trims the end at the stop.
    confidence : float
        Of the intervals.

    Returns
    -------
    WireStudy

    Raises
    ------
    ValueError
        A table that cannot be read as loaves (row and column named); fewer than five loaves with
        two bars weighed; wires whose wander these weights cannot tell apart (named).

    Notes
    -----
    The scale of each loaf (density, section, shrinkage) is free. Wander by restricted maximum
    likelihood with profile intervals, offsets by generalised least squares with the intervals of
    Kenward and Roger, displacements as best linear unbiased predictions. Chances hold for the whole
    cutter (Bonferroni over its wires). The model is our own, from the geometry of the cut;
    restricted likelihood: Patterson and Thompson (1971), Biometrika 58, 545-554 (from memory).

    A wrong spacing is a wrong scale, with both ends trimmed and from a stop: every millimetre is
    out by the same share, and the weights do not show it; grams and advice hold.

    Of five bars cut from a stop the weights hardly tell noise from the wander of the last wire
    (known to 24 % from 200 loaves, to 37 % with a quarter of the bars missing), and the root of the
    likeliest variance is low on average, by 8 and 14 %. Here that is made good to within 1 and 2 %
    (simulated; 2 and 3 % where noise of 0.15 and 0.5 g is given, which is how low any sd so poorly
    known is by custom). The likeliest variances are in ``fit``.

    A bow in the plane of the cut leaves weights as they are, and the tension of a wire cannot be
    told from them: wander is in millimetres, never newtons.

    Examples
    --------
    >>> random = np.random.default_rng(1)
    >>> strays = random.normal(0, [0.15, 0.15, 0.15, 0.6, 0.15], (60, 5))
    >>> widths = 25 + np.diff(np.pad(strays, ((0, 0), (1, 1))))
    >>> grams = (5.8 * widths + random.normal(0, 0.1, widths.shape)).round(1)
    >>> loaf, slot = np.indices(grams.shape) + 1
    >>> table = pd.DataFrame({"loaf": loaf.ravel(), "slot": slot.ravel(), "net": grams.ravel()})
    >>> found = study(table, spacing_mm=25)
    >>> found.wires["advice"].tolist()
    ['leave', 'leave', 'leave', 'retension', 'leave']
    >>> found.finding
    'retension: wire 4 from the stop (between bars 4 and 5) wanders ...; tie a tag on it ...'
    """
    if not 0.5 < confidence < 1:
        raise ValueError(f"confidence={confidence}: give a number between 0.5 and 1")
    if noise_g is not None and not noise_g > 0:
        raise ValueError(f"noise_g={noise_g}: give grams above 0, or leave it out")
    loaves = loaves_of(bars, net)
    harp = cutter(spacing_mm, loaves.weights.shape[1], ends, end_wires_counted=end_wires_counted)
    done = services_of(services, loaves, harp)
    served = first_loaves(done)
    found, odd, knocked, roughs = _fitted(loaves, harp, served, noise_g)
    rising = [one for one in roughs if one.lasts]
    unsplit = fit(found.loaves, harp, served, noise_g) if knocked or rising else found
    served = _begun(served, knocked, rising, harp)
    history = _history(found, confidence, done)
    now = _since_service(found, served)
    told = np.array([one for one in now if one >= 0 and found.problem.free[one]], dtype=np.int64)
    fellows = against_fellows(found.problem, found.variances, told)
    chance = pd.Series(fellows.chance, index=told)
    wires = history.drop(columns="after").reindex(now).reset_index(drop=True)
    wires["wire"] = [harp.number(face) for face in range(1, harp.bars)]
    wires["between"] = [f"bars {face} and {face + 1}" for face in range(1, harp.bars)]
    wires["loaves"] = wires["loaves"].fillna(0).astype(int)
    wires["offset_chance"] = _offset_chance(found).reindex(now).to_numpy() * len(told)
    wires["offset_chance"] = wires["offset_chance"].clip(upper=1.0)
    wires["chance"] = chance.reindex(now).to_numpy()
    placed, scores, _ = displacements(found)
    spells = len(found.sources.spells)
    longest = found.variances[spells : spells + len(found.sources.remainders)][-1:]
    return WireStudy(
        wires=advised(wires, matters(found, float(np.sqrt(fellows.base))), harp),
        history=history,
        displacements=pd.DataFrame(placed, loaves.labels, wires["wire"].to_numpy()),
        scores=pd.DataFrame(scores, loaves.labels, wires["wire"].to_numpy()),
        causes=pd.DataFrame(
            [asdict(cause) for cause in [*(one.cause for one in roughs), *found.causes]],
            columns=["cause", "size_mm", "chance", "words"],
        ),
        knocks=_knocks(found, knocked),
        set_aside=_set_aside(odd, loaves),
        rough_mm=_rough_mm(rising, len(loaves.bars)),
        base_mm=float(np.sqrt(fellows.base)),
        noise_g=found.noise_g,
        remainder_mm=float(np.sqrt(longest[0])) if len(longest) else float("nan"),
        confidence=confidence,
        fit=found,
        unsplit=unsplit,
    )


def _fitted(
    loaves: Loaves, cutter: Cutter, served: dict[int, list[int]], noise_g: float | None
) -> tuple[Fit, list[Oddity], dict[int, list[int]], list[Rough]]:
    """
    The fit without what no wire explains.

    Histories are split where a wire was knocked, and where the wander of all of them rose; a batch
    that all of them cut roughly is left out.
    """
    found, odd, roughs = fit(loaves, cutter, served, noise_g), list[Oddity](), list[Rough]()
    knocked: dict[int, list[int]] = {}
    while True:
        loaves = found.loaves
        if (new_rough := rough(found)) is not None:
            roughs.append(new_rough)
            if not new_rough.lasts:
                weights = np.where(new_rough.rows[:, None], np.nan, loaves.weights)
                loaves = replace(loaves, weights=weights)
        else:
            slips, moved = oddities(found), knocks(found)
            if not slips and not moved:
                return found, odd, knocked, roughs
            odd += slips
            knocked = _joined(knocked, moved)
            loaves = without(loaves, slips)
        begins = _begun(served, knocked, [one for one in roughs if one.lasts], cutter)
        found = fit(loaves, cutter, begins, noise_g)


def _begun(
    served: dict[int, list[int]], knocked: dict[int, list[int]], rising: list[Rough], cutter: Cutter
) -> dict[int, list[int]]:
    """From which loaves on the history of each face begins anew."""
    begins = _joined(served, knocked)
    for one in rising:
        first = [int(one.rows.argmax())]
        begins = _joined(begins, dict.fromkeys(range(1, cutter.bars), first))
    return begins


def _rough_mm(rising: list[Rough], loaves: int) -> FloatArray:
    """Wander of all wires in each loaf since it rose, 0 before."""
    wander = np.zeros(loaves)
    for one in rising:
        wander[one.rows] = one.wander_mm
    return wander


def _joined(one: dict[int, list[int]], other: dict[int, list[int]]) -> dict[int, list[int]]:
    """What either says of each face."""
    return {face: [*one.get(face, []), *other.get(face, [])] for face in {*one, *other}}


def _knocks(found: Fit, knocked: dict[int, list[int]]) -> pd.DataFrame:
    """One row a wire knocked off its place: between which loaves, and by how much."""
    of_face = {face: [] for face in knocked}  # type: dict[int, list[int]]
    for spell, (face, _, _) in enumerate(found.sources.spells):
        of_face.setdefault(face, []).append(spell)
    rows = []
    for face, firsts in sorted(knocked.items()):
        for before, after in pairwise(of_face[face]):
            first = found.sources.spells[after][1]
            if first in firsts:
                by = found.offsets.value[after] - found.offsets.value[before]
                name = found.cutter.number(face), f"bars {face} and {face + 1}"
                rows.append((*name, found.loaves.labels[first], by))
    return pd.DataFrame(rows, columns=["wire", "between", "loaf", "by_mm"])


def _set_aside(odd: list[Oddity], loaves: Loaves) -> pd.DataFrame:
    """One row a bar set aside."""
    rows = [
        (loaves.labels[one.row], slot, loaves.weights[one.row, slot - 1], one.words)
        for one in sorted(odd, key=lambda one: one.row)
        for slot in one.slots
    ]
    return pd.DataFrame(rows, columns=["loaf", "slot", "net", "words"])


def _history(found: Fit, confidence: float, done: list[Service]) -> pd.DataFrame:
    """One row for each wire between services."""
    from scipy.special import stdtrit

    rows: list[dict[str, Any]] = []
    for one, (face, first, last) in enumerate(found.sources.spells):
        count = int(found.spell_loaves[one])
        wander, lower, upper = np.nan, np.nan, np.nan
        offset, reach = float(found.offsets.value[one]), np.nan
        if found.problem.free[one]:
            wander, lower, upper = estimate(
                found.problem, found.variances, found.found, one, confidence
            )
            freedom = found.offsets.freedom[one]
            reach = float(stdtrit(freedom, 0.5 + confidence / 2) * found.offsets.error[one])
        rows.append(
            {
                "wire": found.cutter.number(face),
                "between": f"bars {face} and {face + 1}",
                "since": found.loaves.labels[first],
                "until": found.loaves.labels[last],
                "after": _done(found, one, done),
                "loaves": count,
                "offset_mm": offset,
                "offset_lower": offset - reach,
                "offset_upper": offset + reach,
                "wander_mm": wander,
                "wander_lower": lower,
                "wander_upper": upper,
            }
        )
    return pd.DataFrame(rows)


def _done(found: Fit, spell: int, done: list[Service]) -> str:
    """What was done to a wire where this part of its history begins; empty where nothing was."""
    face, first, _ = found.sources.spells[spell]
    before = [last for at, _, last in found.sources.spells[:spell] if at == face]
    since = max(before, default=-1)
    return " and ".join(one.what for one in done if one.face == face and since < one.row <= first)


def _since_service(found: Fit, served: dict[int, list[int]]) -> IntArray:
    """The spell of each wire since its last service; -1 where no loaf tells of it."""
    now = np.full(found.cutter.bars - 1, -1, dtype=np.int64)
    for one, (face, first, _) in enumerate(found.sources.spells):
        if first >= max(served.get(face, [0])):
            now[face - 1] = one
    return now


def _offset_chance(found: Fit) -> pd.Series[float]:
    """Chance of an offset as clear as each when the wire stands true, two-sided."""
    from scipy.special import stdtr

    with np.errstate(invalid="ignore", divide="ignore"):
        away = np.abs(found.offsets.value / found.offsets.error)
        return pd.Series(2 * stdtr(found.offsets.freedom, -away))
