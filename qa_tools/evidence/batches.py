"""Each batch of a week: our own check, every book's official test, or what a fresh one may lose."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, cast

import numpy as np
import pandas as pd

from qa_tools.books.limits import Limits, below, limits
from qa_tools.books.official import Verdict, judge
from qa_tools.books.own import FEW_GROUPS, OwnCheck, own_check
from qa_tools.books.rulebook import RuleBook, rulebook, rulebooks
from qa_tools.readings.quantities import Declaration
from qa_tools.readings.works import Works, labels_on

# What a book that judges at packing, or in the shop, takes: the first stage that was weighed.
STAGES: Final = {
    "packing": ("packed", "filled", "", "cured"),
    "sale": ("shelf", "packed", "filled", "", "cured"),
}
PULL: Final = ["batch", "loaf", "slot", "net_g", "file", "sheet", "row"]
# 30 bars picked at random from 12 loaves practically never come from fewer than 7.
ALL_OVER: Final = 7
STAGE_WORDS: Final = {"cut": "at cutting", "cured": "cured", "filled": "filled", "packed": "packed"}


@dataclass(frozen=True)
class BookCheck:
    """One batch under one book and label."""

    book: RuleBook
    label: Declaration
    outcome: str
    reason: str
    verdict: Verdict | None


@dataclass(frozen=True)
class MayLose:
    """How much a fresh batch may still lose under one book, as fractions of its weight."""

    limits: Limits
    mean: float
    lightest: float


@dataclass(frozen=True, eq=False)
class Batch:
    """
    One batch in a review.

    Attributes
    ----------
    batch, product, name, stage : str
        `stage` is ``"cut"`` for a fresh batch, which gets no verdict.
    packages : int or None
        Packed, as batches.csv says.
    sold : DataFrame
        The weighings judged, with loaf, slot, file and row.
    made : int
        Weighings of the batch, pulled and reworked ones included.
    own : OwnCheck or None
        Against the strictest label; None for a fresh batch.
    books : tuple of BookCheck
    may_lose : tuple of MayLose
        For a fresh batch.
    typical_loss : float or None
        Fraction of cut weight, as products.csv says.
    pull : DataFrame
        Weighed packages beyond 2T, where a book of its labels forbids selling them.
    doubts, remarks : tuple of str
        Readings to answer for; what to know about the sample.
    sell_from : Timestamp
        NaT where not given.
    sent : int
        Packages sent by the date of the review.
    held : str
        The open hold, or empty.
    """

    batch: str
    product: str
    name: str
    stage: str
    packages: int | None
    sold: pd.DataFrame
    made: int
    own: OwnCheck | None
    books: tuple[BookCheck, ...]
    may_lose: tuple[MayLose, ...]
    typical_loss: float | None
    pull: pd.DataFrame
    doubts: tuple[str, ...]
    remarks: tuple[str, ...]
    sell_from: pd.Timestamp
    sent: int
    held: str

    @property
    def declared(self) -> str:
        """The label in words, the strictest where there are several."""
        found = self.own.limits if self.own else self.may_lose[0].limits if self.may_lose else None
        return str(found.tested) if found else ""


def batches_of(
    works: Works,
    readings: pd.DataFrame,
    touched: pd.DataFrame,
    books: Sequence[str] | None,
    as_of: pd.Timestamp,
) -> list[Batch]:
    """
    Judge the batches that `touched` weighings belong to, with all their `readings`.

    Parameters
    ----------
    works : Works
    readings : DataFrame
        The weighings up to the end of the week, as ``Weighings.table``.
    touched : DataFrame
        Those of the week.
    books : sequence of names, optional
        Instead of the books that the labels name.
    as_of : Timestamp
        Sent and on sale are as of this day.
    """
    found = []
    fresh = touched["stage"] == "cut"
    for is_fresh in (False, True):
        keys = touched.loc[fresh == is_fresh, ["product", "batch"]].drop_duplicates()
        for product, batch in keys.sort_values(["product", "batch"]).itertuples(index=False):
            own_rows = (readings["product"] == product) & (readings["batch"] == batch)
            rows = readings[own_rows & ((readings["stage"] == "cut") == is_fresh)]
            found.append(_batch(works, product, batch, rows, books, as_of, is_fresh))
    return found


def _batch(
    works: Works,
    product: str,
    batch: str,
    rows: pd.DataFrame,
    books: Sequence[str] | None,
    as_of: pd.Timestamp,
    fresh: bool,
) -> Batch:
    known = works.batches[works.batches["batch"] == batch]
    about = works.products[works.products["product"] == product]
    day = known["packed_on"].iloc[0] if len(known) else pd.NaT
    # a batch packed in several runs has a row for each
    packages = known["packages"].sum() if len(known) and known["packages"].notna().all() else None
    lot_size = None if packages is None else int(packages)
    labels, faults = _labels(works, product, day if pd.notna(day) else rows["when"].max(), books)
    loss = about["typical_loss_percent"].iloc[0] if len(about) else np.nan
    sold = rows[rows["judged"]]
    weighed = sold if fresh else _at_stage(sold, "packing")
    weighed = weighed if len(weighed) else _at_stage(sold, "sale")
    out = rows["fate"].isin(["pulled", "rework", "retained"]) & rows["stage"].isin(weighed["stage"])
    if not fresh and lot_size == len(weighed) + int(out.sum()):
        lot_size = len(weighed)  # every package was weighed; those taken out are not in the lot
    checks: list[BookCheck] = []
    used: dict[str, pd.DataFrame] = {}
    for book, label in [] if fresh else labels:
        used[book.name] = _at_stage(sold, book.judged_at)
        checks.append(_check(book, label, used[book.name], lot_size))
    strictest = max(
        (limits(str(label), book) for book, label in labels),
        key=lambda found: (found.declared_g, -(found.tolerance_g or np.inf)),
        default=None,
    )
    own = None
    remarks = (*faults, *_remarks(weighed, lot_size, labels, rows, fresh))
    certain = weighed[weighed["doubt"] == ""]
    if strictest is not None and len(certain) and not fresh:
        size = lot_size if lot_size is not None and lot_size >= len(certain) else None
        own = own_check(
            certain["net_g"],
            Declaration((strictest.tested,)),
            strictest.book,
            lot_size=size,
            group=_groups(certain),
        )
        if len(certain) < len(weighed):
            remarks += (
                f"our own check leaves out {len(weighed) - len(certain)} in doubt; with them the "
                f"mean would be {weighed['net_g'].mean():.1f} g",
            )
    return Batch(
        batch=batch,
        product=product,
        name=about["name"].iloc[0] if len(about) and about["name"].iloc[0] else product,
        stage="cut" if fresh else next(iter(weighed["stage"]), ""),
        packages=lot_size,
        sold=weighed,
        made=len(rows),
        own=own,
        books=tuple(checks),
        may_lose=tuple(_may_lose(book, label, weighed) for book, label in labels)
        if fresh and len(weighed)
        else (),
        typical_loss=None if pd.isna(loss) else float(loss) / 100,
        pull=_pull([] if fresh else labels, used),
        doubts=tuple(text for text in rows["doubt"].unique() if text),
        remarks=remarks,
        sell_from=known["sell_from"].iloc[0] if len(known) else cast(pd.Timestamp, pd.NaT),
        sent=_sent(works, batch, as_of),
        held=_held(works, batch, as_of),
    )


def _labels(
    works: Works, product: str, day: pd.Timestamp, books: Sequence[str] | None
) -> tuple[list[tuple[RuleBook, Declaration]], list[str]]:
    """The books that judge a product on a day, each with its label; and labels none can judge."""
    valid = labels_on(works.labels, product, day)
    pairs: dict[str, Declaration] = {}
    for row in valid.to_dict("records"):
        label = Declaration.parse(row["declared"])
        named = [name for name in row["books"].replace(";", " ").replace(",", " ").split() if name]
        market = str(row["market"]).casefold()
        if not named:
            known = (rulebook(name) for name in rulebooks().index)
            named = [
                book.name
                for book in known
                if not market or market in (name.casefold() for name in book.markets)
            ]
        for name in named:
            pairs.setdefault(name, label)
    if books is not None and len(valid):
        first = Declaration.parse(valid["declared"].iloc[0])
        pairs = {name: pairs.get(name, first) for name in books}
    checks = _checked(works)
    found, faults = [], []
    for name, label in pairs.items():
        try:
            book = rulebook(name).with_checks(checks)
            limits(label, book)
        except ValueError as fault:
            if books is not None:  # asked for by hand, not written in a file
                raise
            faults.append(f"label {label} of {product} in labels.csv: {fault}")
        else:
            found.append((book, label))
    return found, faults


def _checked(works: Works) -> dict[str, str]:
    """The remembered figures that settings.csv records as compared with the official table."""
    found = {}
    for row in works.settings.to_dict("records"):
        name = str(row["name"])
        if name.casefold().startswith("checked "):
            when = f", {row['when']:%Y-%m-%d}" if pd.notna(row["when"]) else ""
            found[name[8:].strip()] = f"checked, {row['value']}, {row['who']}{when}"
    return found


def _at_stage(rows: pd.DataFrame, judged_at: str) -> pd.DataFrame:
    for stage in STAGES[judged_at]:
        at = rows[rows["stage"] == stage]
        if len(at):
            return at
    return rows.iloc[:0]


def _groups(rows: pd.DataFrame) -> list[object] | None:
    """Loaves or trays, where the sample was not picked all over the batch."""
    loaves = rows["loaf"]
    if not loaves.ne("").all():
        return None
    spread = rows["picked"].isin(["random", "all"]).all()
    return None if spread and loaves.nunique() >= ALL_OVER else loaves.tolist()


def _check(
    book: RuleBook, label: Declaration, rows: pd.DataFrame, lot_size: int | None
) -> BookCheck:
    """One book's official test; a reading in doubt is weighed both ways."""
    if rows.empty:
        return BookCheck(book, label, "too few", f"nothing weighed at {book.judged_at}", None)
    if lot_size is None:
        reason = "batches.csv does not say how many packages were packed"
        return BookCheck(book, label, "unsettled", reason, None)

    def verdict(used: pd.DataFrame) -> Verdict:
        return judge(used["net_g"], label, book, lot_size=lot_size, group=_groups(used))

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
    return BookCheck(book, label, "unsettled", reason, full)


def _may_lose(book: RuleBook, label: Declaration, rows: pd.DataFrame) -> MayLose:
    found = limits(label, book)
    net = rows["net_g"]
    return MayLose(
        found, 1 - found.declared_g / float(net.mean()), 1 - found.short_g / float(net.min())
    )


def floor_percent(share: float) -> float:
    """A share in per cent, rounded down: what may be lost is never overstated."""
    return float(np.floor(share * 1000) / 10)


def _pull(
    labels: Sequence[tuple[RuleBook, Declaration]], used: dict[str, pd.DataFrame]
) -> pd.DataFrame:
    """Weighed packages that a book forbids selling; this needs no plan and no lot size."""
    parts = []
    for book, label in labels:
        if book.beyond_twice.get("sale") == "forbidden":
            rows = used[book.name]
            light = below(rows["net_g"].to_numpy(float), limits(label, book).twice_g)
            parts.append(rows[light])
    parts = [part for part in parts if len(part)]
    if not parts:
        return pd.DataFrame(columns=PULL)
    rows = pd.concat(parts).drop_duplicates(["file", "sheet", "row", "column"])
    return rows.loc[rows["doubt"] == "", PULL].reset_index(drop=True)


def _remarks(
    rows: pd.DataFrame,
    lot_size: int | None,
    labels: Sequence[tuple[RuleBook, Declaration]],
    all_rows: pd.DataFrame,
    fresh: bool,
) -> tuple[str, ...]:
    found = []
    if not labels:
        found.append("no label in labels.csv was valid on its packing date: nothing to judge it by")
    if lot_size is not None and len(rows) > lot_size and not fresh:
        found.append(f"{len(rows)} weighed of {lot_size} packed: one of the two is wrong")
    loaves = rows["loaf"].nunique() if rows["loaf"].ne("").all() else 0
    if 0 < loaves < FEW_GROUPS and len(rows) != lot_size:
        found.append(f"picked from {loaves} loaves or trays: it speaks for these")
    if rows["picked"].isin(["one loaf", "in a row"]).any():
        found.append("not picked at random: an inspector's sample would be")
    spread = rows.loc[rows["tare_n"] > 1, ["tare_g", "tare_sd_g", "tare_n"]]
    if len(spread):
        first = spread.iloc[0]
        found.append(
            f"net by a mean tare of {first['tare_g']:.1f} g (sd {first['tare_sd_g']:.2f} g from "
            f"{first['tare_n']:.0f} empty)"
        )
    pointed = all_rows[all_rows["remark"] != ""]
    places = pointed[["row", "file", "remark"]].itertuples(index=False)
    found += [f"row {row} of {file}: {remark}" for row, file, remark in places]
    return tuple(found)


def _sent(works: Works, batch: str, as_of: pd.Timestamp) -> int:
    rows = works.dispatch[(works.dispatch["batch"] == batch)]
    gone = (
        rows if pd.isna(as_of) else rows[rows["when"].isna() | (rows["when"] < _day_after(as_of))]
    )
    return int(pd.to_numeric(gone["quantity"]).sum())


def _held(works: Works, batch: str, as_of: pd.Timestamp) -> str:
    """The id of an open hold on the batch; a later entry that names it in `closes` ends it."""
    actions = works.actions
    if pd.notna(as_of):
        actions = actions[actions["when"].isna() | (actions["when"] < _day_after(as_of))]
    closed = set(actions["closes"]) - {""}
    is_hold = actions["what"].str.strip().str.casefold() == "hold"
    holds = actions.loc[(actions["batch"] == batch) & is_hold, "id"]
    return next((str(key) or "no id" for key in holds if key not in closed), "")


def _day_after(day: pd.Timestamp) -> pd.Timestamp:
    return day.normalize() + pd.Timedelta(days=1)
