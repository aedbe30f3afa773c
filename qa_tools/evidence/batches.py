"""Each lot of a week: our own check, every book's official test, or what a fresh one may lose."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import pandas as pd

from qa_tools.books.limits import Limits, below, limits
from qa_tools.books.official import Outcome, Verdict, judge
from qa_tools.books.own import OwnCheck, grams, own_check
from qa_tools.books.plans import NoPlan
from qa_tools.books.rulebook import RuleBook
from qa_tools.evidence.labelled import Judges, Labelled, judges_of
from qa_tools.evidence.lots import Lot, lots_of
from qa_tools.readings.dates import day_words
from qa_tools.readings.quantities import Declaration
from qa_tools.readings.works import Works
from qa_tools.statistics.finite import mean_interval

# What is judged as packed; cured bars only where nothing was weighed at these stages.
AT_PACKING: Final = ("packed", "filled", "")
PULL: Final = ["batch", "loaf", "slot", "net_g", "file", "sheet", "row"]
# 30 bars picked at random from 12 loaves practically never come from fewer than 7.
ALL_OVER: Final = 7
TOO_FEW_ON_SHELF: Final = "as packed, for the plan asks more than the"
ENOUGH_ON_SHELF: Final = 3  # fewer weighings say little of an average
NOT_SAID: Final = "not said"  # the loaf of packages whose loaf is left blank
NOTED: Final = 3  # readings pointed out one by one in the notes of a batch
STAGE_WORDS: Final = {"cut": "at cutting", "cured": "cured", "filled": "filled", "packed": "packed"}


@dataclass(frozen=True)
class BookCheck:
    """One lot under one book and label; `note` is what to know beside the outcome."""

    book: RuleBook
    label: Declaration
    outcome: Outcome
    reason: str
    verdict: Verdict | None
    note: str = ""


@dataclass(frozen=True)
class MayLose:
    """How much a lot may still lose under one book, as fractions of its weight."""

    limits: Limits
    mean: float
    lightest: float


@dataclass(frozen=True, eq=False)
class Batch:
    """
    One lot in a review.

    Attributes
    ----------
    lot : Lot
        The batch, or one packing run of it: packages, days, what was sent, what is held.
    product, name, stage : str
        `stage` is ``"cut"`` for a fresh batch, which gets no verdict.
    sold : DataFrame
        The weighings judged, with loaf, slot, file and row.
    made : int
        Weighings of the batch, pulled and reworked ones included.
    packages : int or None
        In the lot; without those taken out where every package was weighed.
    own : OwnCheck or None
        The mean against the label that declares most, packages against the limits that are
        highest; None for a fresh batch.
    books : tuple of BookCheck
    may_lose : tuple of MayLose
        For a fresh batch.
    typical_loss : float or None
        Fraction of cut weight, as products.csv says.
    pull : DataFrame
        Weighed packages beyond 2T, where a book of its labels forbids selling them.
    faults, mend, doubts, remarks : tuple of str
        Why a label cannot judge it; what does not hold together on a label; readings to answer
        for; what to know about the sample.
    planned, unweighed, dried : str
        Where fewer were weighed than plan.csv asks; which packing runs were not weighed; what the
        shelf shows where no book of its labels judges there. Empty where there is nothing.
    """

    lot: Lot
    product: str
    name: str
    stage: str
    sold: pd.DataFrame
    made: int
    packages: int | None
    own: OwnCheck | None
    books: tuple[BookCheck, ...]
    may_lose: tuple[MayLose, ...]
    typical_loss: float | None
    pull: pd.DataFrame
    faults: tuple[str, ...]
    mend: tuple[str, ...]
    doubts: tuple[str, ...]
    remarks: tuple[str, ...]
    planned: str
    unweighed: str
    dried: str

    @property
    def batch(self) -> str:
        """What the lot is called."""
        return self.lot.called

    @property
    def notes(self) -> tuple[str, ...]:
        """What to know beside the answers: of the labels, our own check, the books, the sample."""
        own = self.own.cautions if self.own else ()
        return (*self.faults, *own, *self.of_books, *self.remarks)

    @property
    def of_books(self) -> tuple[str, ...]:
        """What the books themselves say of such an outcome."""
        return tuple(
            f"{check.book.name}: {check.verdict.note}"
            for check in self.books
            if check.verdict is not None and check.verdict.outcome == check.outcome
            if check.verdict.note
        )

    @property
    def declared(self) -> str:
        """The label in words, the one that declares most where there are several."""
        found = self.own.limits if self.own else self.may_lose[0].limits if self.may_lose else None
        return str(found.tested) if found else ""


def batches_of(
    works: Works,
    readings: pd.DataFrame,
    keys: pd.DataFrame,
    books: Sequence[str] | None,
    as_of: pd.Timestamp,
) -> list[Batch]:
    """
    Judge batches with all their `readings`, packed ones first.

    Parameters
    ----------
    works : Works
    readings : DataFrame
        The weighings up to the end of the week, as ``Weighings.table``.
    keys : DataFrame
        Which to judge: columns product, batch, and fresh (bool): as cut, or as packed.
    books : sequence of names, optional
        Instead of the books that the labels name.
    as_of : Timestamp
        Sent and on sale are as of this day.
    """
    found = []
    ordered = keys.drop_duplicates().sort_values(["fresh", "product", "batch"])
    # plain objects in one block: cutting a few rows out of it many times is what takes the time
    words = [name for name in readings if pd.api.types.is_string_dtype(readings[name].dtype)]
    plain = readings.astype(dict.fromkeys(words, object)).copy()
    places = plain.groupby(["product", "batch"]).indices
    narrow = _narrowed(works)
    known: dict[tuple[object, ...], Labelled] = {}
    for product, batch, fresh in ordered[["product", "batch", "fresh"]].itertuples(index=False):
        own = plain.iloc[places.get((product, batch), [])]
        cut = own[own["stage"] == "cut"]
        rows = cut if fresh else own[own["stage"] != "cut"]
        here = narrow(batch)
        for lot, mine, *told in lots_of(here, batch, rows, as_of):
            loaves = _loaves(cut, lot)
            day = lot.packed_on if pd.notna(lot.packed_on) else mine["when"].max()
            labels = judges_of(here, product, day, books, known)
            found.append(_batch(here, lot, product, mine, labels, bool(fresh), told, loaves))
    return found


def _narrowed(works: Works) -> Callable[[str], Works]:
    """The works as one batch sees it, with only its own rows of the long lists."""
    actions, dispatch, batches = works.actions, works.dispatch, works.batches
    sent = dispatch.groupby("batch", sort=False).indices
    runs = batches.groupby("batch", sort=False).indices
    done = actions.groupby("batch", sort=False).indices
    closing = np.flatnonzero(actions["closes"] != "")  # may close a hold under another name
    none = np.empty(0, np.intp)

    def of(batch: str) -> Works:
        mine = np.union1d(done.get(batch, none), closing).astype(np.intp)
        return replace(
            works,
            actions=actions.iloc[mine],
            dispatch=dispatch.iloc[sent.get(batch, none)],
            batches=batches.iloc[runs.get(batch, none)],
        )

    return of


def _batch(
    works: Works,
    lot: Lot,
    product: str,
    rows: pd.DataFrame,
    labels: Labelled,
    fresh: bool,
    of_runs: Sequence[str],
    loaves: int | None,
) -> Batch:
    remark, unweighed = of_runs
    about = works.products[works.products["product"] == product]
    judges, faults, mend, told = labels
    loss = about["typical_loss_percent"].iloc[0] if len(about) else np.nan
    dries = bool((about["form"].str.casefold() == "bar").any() or loss > 0)
    sold = rows[rows["judged"]]
    packed, shelf = _as_packed(sold), _last_on_shelf(sold)
    weighed = sold if fresh else packed
    if not len(weighed):
        weighed = shelf
    lot_size = lot.packages
    out = rows["fate"].isin(["pulled", "rework", "retained"]) & rows["stage"].isin(weighed["stage"])
    if not fresh and lot_size == len(weighed) + int(out.sum()):
        lot_size = len(weighed)  # every package was weighed; those taken out are not in the lot
    handled = _handled(judges, rows, weighed["stage"].unique().tolist())
    checks: list[BookCheck] = []
    used: list[pd.DataFrame] = []
    sampled = _sampling(packed, loaves) if len(packed) else None
    for book, label in [] if fresh else judges:
        mine, note = _rows_for(book, label, packed, shelf, lot_size, dries)
        how = sampled if mine is packed else None
        check = check_lot(book, label, mine, lot_size, loaves, handled=handled, sampled=how)
        against = _shelf_says(book, label, shelf) if note.startswith(TOO_FEW_ON_SHELF) else ""
        if against and check.outcome == "accept":
            check = replace(check, outcome="unsettled", reason=against)
        checks.append(replace(check, note=note))
        used.append(mine)
    known = [
        check.verdict.own if check.verdict is not None and mine is weighed else None
        for check, mine in zip(checks, used, strict=True)
    ]
    own, doubted = (None, "") if fresh else _own(judges, weighed, lot_size, loaves, handled, known)
    remarks = [
        remark,
        *mend,
        *told,
        *_remarks(judges, weighed, lot_size, lot.packages, rows, fresh),
        doubted,
    ]
    plan = works.plan[works.plan["product"] == product]
    stages = ["", *(["cut"] if fresh else weighed["stage"].unique())]
    plan = plan[plan["stage"].str.strip().str.casefold().isin(stages)]
    remarks += _beyond_plan(plan, weighed)
    return Batch(
        lot=lot,
        product=product,
        name=about["name"].iloc[0] if len(about) and about["name"].iloc[0] else product,
        stage="cut" if fresh else max(weighed["stage"], default=""),
        sold=weighed,
        made=len(rows),
        packages=lot_size,
        own=own,
        books=tuple(checks),
        may_lose=tuple(_may_lose(book, label, weighed, lot.packages) for book, label in judges)
        if fresh and len(weighed)
        else (),
        typical_loss=None if pd.isna(loss) else float(loss) / 100,
        pull=_pull(lot.called, [] if fresh else judges, used),
        faults=tuple(faults),
        mend=tuple(mend),
        doubts=tuple(text for text in rows["doubt"].unique() if text),
        remarks=tuple(text for text in remarks if text),
        planned=_planned(plan, len(rows), lot.packages),
        unweighed=unweighed,
        dried=_dried(judges, weighed, shelf),
    )


def remembered(check: BookCheck) -> bool:
    """Whether an outcome rests on a figure nobody has compared with the official table yet."""
    return check.verdict is not None and bool(check.verdict.from_memory)


# ---------------------------------------------------------------- which weighings


def _as_packed(rows: pd.DataFrame) -> pd.DataFrame:
    at = rows[rows["stage"].isin(AT_PACKING)]
    return at if len(at) else rows[rows["stage"] == "cured"]


def _last_on_shelf(rows: pd.DataFrame) -> pd.DataFrame:
    """The shelf weighings of the last day: goods go on drying, days are not put together."""
    of_shelf = rows["stage"] == "shelf"
    if not of_shelf.any():
        return rows.iloc[:0]
    shelf = rows[of_shelf]
    days = shelf["when"].dt.normalize()
    return shelf[days == days.max()] if days.notna().any() else shelf


def _rows_for(
    book: RuleBook,
    label: Declaration,
    packed: pd.DataFrame,
    shelf: pd.DataFrame,
    lot_size: int | None,
    dries: bool,
) -> tuple[pd.DataFrame, str]:
    """The weighings a book judges, and what to know of them."""
    if book.judged_at == "packing":
        return packed, ""
    if not len(shelf):
        room = floor_percent(_may_lose(book, label, packed, lot_size).mean) if len(packed) else -1
        if not dries or room < 0:
            return packed, ""
        declared = book.resolve(label)
        return packed, f"as packed: may lose {room:g} % by sale and still average {declared}"
    if len(shelf) < len(packed) and len(shelf) < _asked(book, lot_size):
        return packed, f"{TOO_FEW_ON_SHELF} {_shelf_words(shelf)}"
    return shelf, f"by the {_shelf_words(shelf)}"


def _shelf_words(shelf: pd.DataFrame) -> str:
    when = shelf["when"].max()
    day = f" on {day_words(when, year=False)}" if pd.notna(when) else ""
    return f"{len(shelf)} weighed on the shelf{day}, mean {shelf['net_g'].mean():.1f} g"


def _shelf_says(book: RuleBook, label: Declaration, shelf: pd.DataFrame) -> str:
    """What a few weighings on the shelf say against the packing weights; "" where nothing."""
    found = limits(label, book)
    net = shelf["net_g"].to_numpy(float)
    light, away = int(below(net, found.short_g).sum()), float(net.mean()) - found.declared_g
    if not light and not (away < 0 and len(net) >= ENOUGH_ON_SHELF):
        return ""
    average = f"average {grams(abs(away))} {'short of' if away < 0 else 'over'} {found.tested}"
    short = f", {light} of them short by more than allowed" if light else ""
    return f"{len(net)} weighed on the shelf {average}{short}: weigh more there"


def _dried(judges: Judges, packed: pd.DataFrame, shelf: pd.DataFrame) -> str:
    """The shelf below the label of books that all judge at packing; "" where it is not."""
    if not len(shelf) or packed is shelf or any(b.judged_at != "packing" for b, _ in judges):
        return ""
    most = max((limits(label, book) for book, label in judges),
               key=lambda found: found.declared_g, default=None)  # fmt: skip
    if most is None or shelf["net_g"].mean() >= most.declared_g:
        return ""
    short = grams(most.declared_g - float(shelf["net_g"].mean()))
    return (
        f"{_shelf_words(shelf)}, {short} short of {most.tested}; its rule books judge at packing, "
        "so keep the packing weights at hand"
    )


def _asked(book: RuleBook, lot_size: int | None) -> int:
    """How many packages the book's plan wants weighed; 1 where that is not known."""
    try:
        return book.plan(lot_size).n if lot_size else 1
    except NoPlan:
        return 1


def _groups(rows: pd.DataFrame) -> list[object] | None:
    """Loaves or trays, where the sample was not picked all over the batch."""
    loaves = rows["loaf"]
    if loaves.ne("").sum() * 2 < len(rows):
        return None
    spread = rows["picked"].isin(["random", "all"]).all()
    all_over = spread and loaves.nunique() >= ALL_OVER
    return None if all_over else list(loaves.replace("", NOT_SAID))


def _loaves(cut: pd.DataFrame, lot: Lot) -> int | None:
    """How many loaves a batch was cut from; None unless every bar was weighed at cutting."""
    all_cut = lot.packages is not None and len(cut) >= lot.packages and cut["loaf"].ne("").all()
    return cut["loaf"].nunique() if all_cut and not lot.pack_code else None


def _sampling(rows: pd.DataFrame, loaves: int | None = None) -> dict[str, Any]:
    """How the weighings were taken, as both answers want it: loaves, and the tare taken off."""
    groups = _groups(rows)
    total = None
    if groups is not None and NOT_SAID not in groups and loaves is not None:
        total = loaves if loaves >= len(set(groups)) else None
    by_mean = rows[rows["tare_n"] > 0]
    found: dict[str, Any] = {"group": groups, "group_total": total}
    if len(by_mean):
        # one error of the tare is in all weights it was taken off
        share = len(by_mean) / len(rows)
        found["tare_sd"] = float(by_mean["tare_sd_g"].max(skipna=False)) * share
        found["tare_n"] = int(by_mean["tare_n"].min())
    return found


def _handled(judges: Judges, rows: pd.DataFrame, stages: Sequence[str]) -> int:
    """How many of a sample were topped up, or taken out and light, so that it is no fair one."""
    here = rows[rows["stage"].isin(stages)]
    topped = here["fate"] == "topped up"
    out = here["fate"].isin(["pulled", "rework", "retained"])
    least = max((limits(label, book).short_g for book, label in judges), default=np.nan)
    return int(topped.sum() + (out & (here["net_g"] < least)).sum())


# ---------------------------------------------------------------- the two answers


def _own(
    judges: Judges,
    rows: pd.DataFrame,
    lot_size: int | None,
    loaves: int | None,
    handled: int,
    known: Sequence[OwnCheck | None],
) -> tuple[OwnCheck | None, str]:  # fmt: skip
    """
    Our own check under all labels together, and a remark where readings are in doubt.

    `known` are those that the verdicts of the same rows rest on: the same where none is in doubt.
    """
    certain = rows[rows["doubt"] == ""]
    if not judges or certain.empty:
        return None, ""
    size = lot_size if lot_size is not None and lot_size >= len(certain) else None
    if len(certain) == len(rows) and size is not None and all(known):
        checks = [own for own in known if own is not None]
    else:
        how = _sampling(certain, loaves) | {"handled": handled}
        checks = [
            own_check(certain["net_g"], label, book, lot_size=size, **how) for book, label in judges
        ]
    most = max(checks, key=lambda own: (own.limits.declared_g, own.limits.short_g))
    strict = max(checks, key=lambda own: (own.limits.short_g, own.limits.twice_g))
    twice = max(checks, key=lambda own: own.limits.twice_g)
    own = replace(
        most,
        limits=replace(strict.limits, tested=most.limits.tested, declared_g=most.limits.declared_g),
        short=strict.short,
        short_upper=strict.short_upper,
        short_twice=twice.short_twice,
        short_twice_upper=twice.short_twice_upper,
    )
    if len(certain) == len(rows):
        return own, ""
    return own, (
        f"our own check leaves out {len(rows) - len(certain)} in doubt; with them the mean would "
        f"be {rows['net_g'].mean():.1f} g"
    )


def check_lot(
    book: RuleBook,
    label: Declaration,
    rows: pd.DataFrame,
    lot_size: int | None,
    loaves: int | None = None,
    *,
    handled: int = 0,
    in_order: bool = False,
    sampled: dict[str, Any] | None = None,
) -> BookCheck:
    """
    One book's official test; a reading in doubt is weighed both ways.

    `loaves` is how many there are in the lot; `handled` as in `own_check`; `in_order` whether the
    rows stand in the order of an inspector's first and second sample; `sampled` how they
    were taken, where that is known already.
    """
    if rows.empty:
        reason = "nothing was weighed at packing, when this book judges"
        return BookCheck(book, label, "too few", reason, None)
    if lot_size is None:
        reason = "batches.csv does not say how many packages were packed"
        return BookCheck(book, label, "unsettled", reason, None)

    def verdict(used: pd.DataFrame) -> Verdict:
        known = sampled if sampled is not None and used is rows else _sampling(used, loaves)
        how = known | {"handled": handled, "in_order": in_order}
        return judge(used["net_g"], label, book, lot_size=lot_size, **how)

    full = verdict(rows)
    doubtful = rows["doubt"] != ""
    if not doubtful.any() or full.outcome == "too few":
        return BookCheck(book, label, full.outcome, full.reason, full)
    without = verdict(rows[~doubtful]) if not doubtful.all() else full
    if full.outcome == "reject" and without.outcome == "reject":
        return BookCheck(book, label, "reject", full.reason, full)
    first = rows[doubtful].iloc[0]
    where = f"row {first['row']} of {first['file']}"
    reason = f"{first['weight']:g} {first['unit']} in {where} is not settled"
    return BookCheck(book, label, "unsettled", reason, without)


def _may_lose(
    book: RuleBook, label: Declaration, rows: pd.DataFrame, lot_size: int | None
) -> MayLose:
    """What may go, by the mean that 95 in 100 such samples lie above; by one bar, by that bar."""
    found = limits(label, book)
    net = rows["net_g"].to_numpy(float)
    size = None if lot_size is None else max(lot_size, len(net))
    low = mean_interval(net, size, _groups(rows), 0.90).lower
    mean = float(net.mean()) if np.isnan(low) else low
    return MayLose(found, 1 - found.declared_g / mean, 1 - found.short_g / float(net.min()))


def floor_percent(share: float) -> float:
    """A share in per cent, rounded down: what may be lost is never overstated."""
    return float(np.floor(share * 1000) / 10)


def _pull(called: str, judges: Judges, used: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Weighed packages that a book forbids selling; this needs no plan and no lot size."""
    parts = []
    for (book, label), rows in zip(judges, used, strict=False):
        if book.beyond_twice.get("sale") == "forbidden":
            light = below(rows["net_g"].to_numpy(float), limits(label, book).twice_g)
            parts.append(rows[light])
    parts = [part for part in parts if len(part)]
    if not parts:
        return pd.DataFrame(columns=PULL)
    rows = pd.concat(parts).drop_duplicates(["file", "sheet", "row", "column"])
    return rows.loc[rows["doubt"] == ""].assign(batch=called)[PULL].reset_index(drop=True)


# ---------------------------------------------------------------- what to know of the sample


def _remarks(
    judges: Judges,
    rows: pd.DataFrame,
    lot_size: int | None,
    packages: int | None,
    all_rows: pd.DataFrame,
    fresh: bool,
) -> list[str]:
    found = []
    if lot_size is not None and len(rows) > lot_size and not fresh:
        found.append(f"{len(rows)} weighed of {lot_size} packed: one of the two is wrong")
    names = [book.name for book, _ in judges]
    for name in dict.fromkeys(name for name in names if names.count(name) > 1):
        words = " and ".join(str(label) for book, label in judges if book.name == name)
        found.append(f"two labels hold under {name}, {words}: both are judged")
    if rows["picked"].isin(["one loaf", "in a row"]).any():
        found.append("not picked at random: an inspector's sample would be")
    if packages is not None and lot_size is not None and lot_size < packages:
        gone = counted(packages - lot_size, "was", "were")
        found.append(f"{packages} packed, of which {gone} taken out: the lot is {lot_size}")
    spread = rows.loc[rows["tare_n"] > 1, ["tare_g", "tare_sd_g", "tare_n"]]
    if len(spread):
        first = spread.iloc[0]
        found.append(
            f"net by a mean tare of {first['tare_g']:.1f} g (sd {first['tare_sd_g']:.2f} g from "
            f"{first['tare_n']:.0f} empty)"
        )
    stages = all_rows["stage"]
    if fresh:
        return found + _pointed_out(all_rows)
    blank, named = int((rows["stage"] == "").sum()), rows["stage"].isin(["packed", "filled"])
    if blank and named.any():
        found.append(f"{counted(blank, 'weighing', 'weighings')} without a stage: taken as packed")
    cured = int((stages == "cured").sum())
    if cured and not rows["stage"].eq("cured").any():
        found.append(f"{cured} weighed while curing: not judged, for it was weighed at packing")
    shelf = _last_on_shelf(all_rows[all_rows["judged"]])
    if len(shelf) and not rows["stage"].eq("shelf").any():
        found.append(_shelf_words(shelf))
    return found + _pointed_out(all_rows)


def _pointed_out(rows: pd.DataFrame) -> list[str]:
    """What is pointed out of readings: each by itself, but many with one cause in one line."""
    found: list[str] = []
    pointed = rows.loc[rows["remark"] != "", ["row", "file", "remark"]]
    if pointed.empty:
        return found
    pointed = pointed.assign(remark=pointed["remark"].str.split("; ")).explode("remark")
    for cause, same in pointed.groupby(pointed["remark"].str.split(": ").str[0], sort=False):
        if len(same) > NOTED:
            row, file, _ = same.iloc[0]
            found.append(f"{len(same)} readings, the first in row {row} of {file}: {cause}")
        else:
            told = same.itertuples(index=False)
            found += [f"row {row} of {file}: {remark}" for row, file, remark in told]
    return found


def counted(number: int, one: str, more: str) -> str:
    """A number with its noun: "1 loaf", "3 loaves"."""
    return f"{number} {one if number == 1 else more}"


def _planned(plan: pd.DataFrame, n: int, packages: int | None) -> str:
    """How far the weighings of a batch fall behind plan.csv; "" where they do not."""
    for row in plan.to_dict("records"):
        asked = str(row["how_many"]).strip().casefold()
        wanted = packages if asked == "all" else int(asked) if asked.isdigit() else None
        if "batch" in str(row["how_often"]).casefold() and wanted is not None and n < wanted:
            return f"plan.csv asks for {asked} a batch, {n} weighed"
    return ""


def _beyond_plan(plan: pd.DataFrame, rows: pd.DataFrame) -> list[str]:
    """What is outside the limits the works set itself in plan.csv."""
    found = []
    for row in plan.to_dict("records"):
        low, high = float(row["low"]), float(row["high"])
        for count, words in (
            (int(below(rows["net_g"].to_numpy(float), low).sum()), f"under the {low:g} g"),
            (int((rows["net_g"] > high).sum()), f"over the {high:g} g"),
        ):
            if count:
                what = f" ({row['what_to_do']})" if row["what_to_do"] else ""
                found.append(f"{count} of {len(rows)} {words} of plan.csv{what}")
    return found
