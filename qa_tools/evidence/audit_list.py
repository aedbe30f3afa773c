"""The auditor's list: for each item where the evidence is, or what is missing and how to begin."""

from __future__ import annotations

import datetime as dt
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Final

import pandas as pd

from qa_tools.evidence.batches import Batch
from qa_tools.evidence.lots import AWAY, HOLD, RELEASE
from qa_tools.evidence.pack.scope import Scope, scope_of
from qa_tools.evidence.shown import Shown
from qa_tools.readings.log import log_path
from qa_tools.readings.works import Works

IN, PARTLY, MISSING, OTHER = "in the pack", "partly", "missing", "a paper"
NONE_NEEDED: Final = "nothing to show"
NAMED: Final = 8  # batches named in one line
SEVEN: Final = pd.Timedelta(days=7)

Found = tuple[str, str]  # how an item stands, and what there is to say


@dataclass(frozen=True, eq=False, repr=False)
class Checklist:
    """
    The list; prints as a table, what is missing first.

    Attributes
    ----------
    table : DataFrame
        item, source, grade, status (``"in the pack"``, ``"a paper"``, ``"partly"``, ``"missing"``
        or ``"nothing to show"``), where (the section of the pack), found, to_do.
    """

    table: pd.DataFrame

    def __str__(self) -> str:
        order = [MISSING, PARTLY, OTHER, IN, NONE_NEEDED]
        rows = sorted(self.table.to_dict("records"), key=lambda row: order.index(row["status"]))
        return "\n".join(
            f"{row['status']}: {row['item']} ({row['source']})"
            + (f"; {row['found']}" if row["found"] else "")
            + (f". {row['to_do']}." if row["to_do"] else ".")
            for row in rows
        )

    __repr__ = __str__

    def _repr_html_(self) -> str:
        return Shown(self.table, "The list is empty.").html()


def checklist(
    works: Works,
    start: str | dt.date | None = None,
    end: str | dt.date | None = None,
    products: Sequence[str] | str | None = None,
    batches: Sequence[str] | str | None = None,
) -> Checklist:
    """
    What would an auditor ask for, where is it, and what is missing?

    Parameters
    ----------
    works : Works
    start, end : str or date, optional
        The period; the whole of the data when not given.
    products, batches : name or names, optional
        Only these.

    Returns
    -------
    Checklist

    Notes
    -----
    The items and their sources are in checklist.toml. An item counts as in the pack only where the
    records of the period really have it; a paper counts where documents.csv names one.

    Examples
    --------
    >>> found = checklist(getfixture("demo_works")).table.set_index("source")
    >>> found.loc["ISO 22716:2007, 16", ["status", "to_do"]].tolist()[0]
    'missing'
    """
    return of_scope(scope_of(works, start, end, products, batches))


def of_scope(scope: Scope) -> Checklist:
    """The list for what a pack speaks of."""
    rows = []
    for about in _items():
        status, found = _found(scope, about)
        open_ = status in (MISSING, PARTLY)
        rows.append(
            {
                "item": about["item"],
                "source": about["source"],
                "grade": about["grade"],
                "status": status,
                "where": about.get("where", "") if status in (IN, PARTLY) else "",
                "found": found,
                "to_do": about["begin"] if open_ else "",
            }
        )
    return Checklist(pd.DataFrame(rows))


@cache
def _items() -> tuple[Mapping[str, Any], ...]:
    text = files("qa_tools.evidence").joinpath("checklist.toml").read_text(encoding="utf-8")
    return tuple(tomllib.loads(text)["item"])


def _found(scope: Scope, about: Mapping[str, Any]) -> Found:
    """How an item stands: by the records where they show it, else by a paper."""
    status, said = CONDITIONS[about["shows"]](scope) if "shows" in about else (MISSING, "")
    if status == IN or "papers" not in about:
        return status, said
    paper = _paper(scope.works, about["papers"])
    if paper:
        return (OTHER, paper) if status == MISSING else (status, f"{said}; {paper}")
    return status, said


def _paper(works: Works, words: Iterable[str]) -> str:
    """The papers of documents.csv whose name has one of the words."""
    told = []
    for row in works.documents.to_dict("records"):
        if any(word in str(row["what"]).casefold() for word in words):
            parts = [str(row["what"]), str(row["reference"])]
            parts += [f"revision {row['revision']}"] if row["revision"] else []
            parts += [f"{row['date']:%Y-%m-%d}"] if pd.notna(row["date"]) else []
            parts += [str(row["kept_where"])]
            told.append(", ".join(filter(None, parts)))
    return "; ".join(told)


# ---------------------------------------------------------------- what the records show


def _judged(scope: Scope) -> list[Batch]:
    return [one for one in scope.checks if one.stage != "cut"]


def _actions(scope: Scope, *begins: str) -> pd.DataFrame:
    """Actions on the batches spoken of, or of none, that begin with one of some words."""
    actions = scope.works.actions
    mine = actions["batch"].isin([*scope.names, ""])
    return actions[mine & actions["what"].str.strip().str.casefold().str.startswith(begins)]


def _all(names: Iterable[str], lacking: Iterable[str], what: str) -> Found:
    """In the pack where no name is lacking; missing where all are; else partly, with names."""
    all_, left = list(dict.fromkeys(names)), list(dict.fromkeys(lacking))
    if not all_:
        return NONE_NEEDED, ""
    if not left:
        return IN, f"{what} of all {len(all_)}"
    if len(left) == len(all_):
        return MISSING, f"{what} of none of {len(all_)}"
    more = f" and {len(left) - NAMED} more" if len(left) > NAMED else ""
    return PARTLY, f"{what} of {len(all_) - len(left)} of {len(all_)}; not of " + ", ".join(
        left[:NAMED]
    ) + more  # fmt: skip


def coded(scope: Scope) -> Found:
    """A pack code of every batch packed."""
    batches = scope.works.batches
    packed = batches[batches["batch"].isin(scope.names) & batches["packed_on"].notna()]
    return _all(packed["batch"], packed.loc[packed["pack_code"] == "", "batch"], "pack codes")


def scale_programme(scope: Scope) -> Found:
    """A row of the plan for every scale used, and checks in the period."""
    used = sorted(set(scope.used["scale"]) - {""})
    if not used:
        return MISSING, "no weighing says on which scale it was made"
    checks = scope.works.scale_checks
    if scope.week is not None:
        checks = checks[scope.week.holds(checks["when"])]
    unchecked = [name for name in used if name not in set(checks["scale"])]
    unplanned = [name for name in used if name not in set(scope.works.plan["product"])]
    if len(unchecked) == len(used):
        return MISSING, "no scale was checked in this period"
    if unchecked or unplanned:
        said = [f"not checked: {', '.join(unchecked)}"] if unchecked else []
        said += [f"no programme in plan.csv for {', '.join(unplanned)}"] if unplanned else []
        return PARTLY, f"{len(checks)} checks; {'; '.join(said)}"
    return IN, f"{len(checks)} checks of {len(used)} scales"


def limits(scope: Scope) -> Found:
    """Limits in the plan for every product, and the checks it asks for done."""
    products = sorted(set(scope.keys["product"]) - {""})
    plan = scope.works.plan
    limited = plan[plan["low"].notna() | plan["high"].notna()]
    lacking = [product for product in products if product not in set(limited["product"])]
    if lacking:
        return _all(products, lacking, "limits in plan.csv")
    done = scope.planned
    checks = done.checks[done.checks["what"].isin(scope.names)]
    not_done = checks[checks["status"].isin(["short", "missing"])]
    if len(not_done):
        return PARTLY, f"limits for all; {len(not_done)} of {len(checks)} checks short or missing"
    return IN, f"limits for all {len(products)} products, {len(checks)} checks done"


def released(scope: Scope) -> Found:
    """A release by a named person of every batch that was sent, or could be."""
    free = _actions(scope, *RELEASE)
    named = free[(free["by"] != "") | (free["approved_by"] != "")]
    mine = [one.lot.batch for one in _judged(scope) if not one.lot.held and not one.lot.away]
    return _all(mine, [name for name in mine if name not in set(named["batch"])], "releases")


def standing(scope: Scope) -> Found:
    """Released, held or taken away: one of them recorded of every batch."""
    known = set(_actions(scope, *HOLD, *RELEASE, *AWAY)["batch"])
    mine = [one.lot.batch for one in _judged(scope)]
    return _all(mine, [name for name in mine if name not in known], "standing")


def stock(scope: Scope) -> Found:
    """Bars weighed again on the shelf."""
    bars = [one.lot.batch for one in _judged(scope) if _dries(scope, one)]
    table = scope.used
    again = set(table.loc[table["stage"] == "shelf", "batch"])
    return _all(bars, [name for name in bars if name not in again], "weighings on the shelf")


def _dries(scope: Scope, batch: Batch) -> bool:
    about = scope.works.products[scope.works.products["product"] == batch.product]
    return bool((about["form"].str.casefold() == "bar").any() or (batch.typical_loss or 0) > 0)


def _bad(scope: Scope) -> list[str]:
    """Batches that fail a test or average short."""
    return [
        one.lot.batch
        for one in _judged(scope)
        if any(check.outcome == "reject" for check in one.books)
        or (one.own is not None and one.own.finding == "short")
    ]


def looked_at(scope: Scope) -> Found:
    """An action with cause and approval on every batch that fails."""
    rows = _actions(scope, *HOLD, *AWAY, "correct")
    full = rows[(rows["cause"] != "") & (rows["approved_by"] != "")]
    bad = _bad(scope)
    if not bad:
        return NONE_NEEDED, "no batch fails or averages short"
    return _all(bad, [name for name in bad if name not in set(full["batch"])], "cause and approval")


def sampling(scope: Scope) -> Found:
    """Who, how picked, on which scale: of every weighing."""
    rows = scope.used
    if rows.empty:
        return NONE_NEEDED, ""
    shares = {name: float((rows[name] != "").mean()) for name in ("by", "picked", "scale")}
    told = ", ".join(f"{name} of {100 * share:.0f} %" for name, share in shares.items())
    if min(shares.values()) == 1:
        return IN, f"{len(rows)} weighings: {told}"
    return (PARTLY if max(shares.values()) > 0 else MISSING), f"{len(rows)} weighings: {told}"


def retained(scope: Scope) -> Found:
    """A package kept back of every batch."""
    kept = set(scope.used.loc[scope.used["fate"] == "retained", "batch"])
    mine = [one.lot.batch for one in _judged(scope)]
    return _all(mine, [name for name in mine if name not in kept], "samples kept")


def rejected(scope: Scope) -> Found:
    """Cause, approval and a check of every rework and scrap."""
    rows = _actions(scope, *AWAY)
    rows = rows[rows["batch"] != ""]
    opened = _actions(scope, *HOLD).groupby("batch")["cause"].max().to_dict()
    lacking = [
        f"{row['id'] or row['batch']}"
        for row in rows.to_dict("records")
        if not (row["cause"] or opened.get(row["batch"]))
        or not row["approved_by"]
        or pd.isna(row["checked_on"])
    ]
    if rows.empty:
        return NONE_NEEDED, "nothing was reworked or destroyed"
    return _all(
        rows["id"].where(rows["id"] != "", rows["batch"]), lacking, "cause, approval, check"
    )


def corrective(scope: Scope) -> Found:
    """Corrections with cause, approval and the day they were seen to have worked."""
    rows = _actions(scope, "correct")
    rows = rows[rows["reading"] == ""]
    if scope.week is not None:
        rows = rows[(rows["batch"] != "") | scope.week.holds(rows["when"])]
    if rows.empty:
        return MISSING, "no corrective action is recorded"
    full = (rows["cause"] != "") & (rows["approved_by"] != "") & rows["checked_on"].notna()
    return _all(rows["id"], rows.loc[~full, "id"], "cause, approval, check")


def corrections(scope: Scope) -> Found:
    """Corrections of readings say why and by whom; a log would show the others."""
    rows = scope.works.actions[scope.works.actions["reading"] != ""]
    logged = log_path(scope.works.folder).is_file()
    lacking = rows[(rows["reason"] == "") | (rows["by"] == "") | rows["when"].isna()]
    if not logged:
        return MISSING, "no log of what was read is kept: a change of a sheet would not show"
    if len(lacking):
        return PARTLY, f"{len(lacking)} corrections lack a reason, a name or a day"
    return IN, f"a log of what was read, and {len(rows)} corrections"


def revisions(scope: Scope) -> Found:
    """A revision of every paper and every row of the plan."""
    papers, plan = scope.works.documents, scope.works.plan
    names = [*papers["what"], *(f"plan of {one}" for one in plan["product"])]
    if not names:
        return MISSING, "neither documents.csv nor plan.csv has a row"
    unrevised = plan.loc[plan["revision"] == "", "product"]
    lacking = [*papers.loc[papers["revision"] == "", "what"],
               *(f"plan of {one}" for one in unrevised)]  # fmt: skip
    return _all(names, lacking, "revisions")


def calibrated(scope: Scope) -> Found:
    """A certificate of every scale used, and none past its day."""
    used = sorted(set(scope.used["scale"]) - {""})
    if not used:
        return MISSING, "no weighing says on which scale it was made"
    known = scope.works.scales
    ok = known[(known["certificate"] != "") & (known["calibration_due"] >= scope.as_of)]
    return _all(used, [name for name in used if name not in set(ok["scale"])],
                "a certificate in date")  # fmt: skip


def found_bad(scope: Scope) -> Found:
    """Where a scale showed more than a scale interval too much: something was done about it."""
    used = set(scope.used["scale"]) - {""}
    about = scope.works.scales.drop_duplicates("scale").set_index("scale")
    checks = scope.works.scale_checks[scope.works.scale_checks["scale"].isin(used)]
    if checks.empty:
        return MISSING, "no check of a scale is recorded: nobody knows"
    e = checks["scale"].map(about["e"].fillna(about["d"]).to_dict())
    away = (checks["shown"] - checks["applied"]).abs()
    bad = sorted(set(checks.loc[away > e + 1e-9, "scale"]))
    if not bad:
        return NONE_NEEDED, "no check was off by more than one scale interval"
    texts = (scope.works.actions["what"] + " " + scope.works.actions["reason"]).str.casefold()
    undone = [
        name
        for name in bad
        if not texts.str.contains("scale").any()
        or not texts.str.contains(name.casefold(), regex=False).any()
    ]
    return _all(bad, undone, "an action")


def nonconforming(scope: Scope) -> Found:
    """Every hold with its reason, closed or told as open; every bad batch with a decision."""
    rows = _actions(scope, *HOLD, *AWAY)
    bad = [name for name in _bad(scope) if name not in set(rows["batch"])]
    reasonless = rows.loc[(rows["reason"] == "") & (rows["batch"] != ""), "batch"].tolist()
    names = [*_bad(scope), *rows.loc[rows["batch"] != "", "batch"]]
    if not names:
        return NONE_NEEDED, "no batch was held, reworked or judged short"
    return _all(names, [*bad, *reasonless], "a decision with its reason")


def quantity(scope: Scope) -> Found:
    """An official test that could be run on every batch, under every book of its labels."""
    mine = _judged(scope)
    lacking = [
        one.batch
        for one in mine
        if not one.books or any(check.outcome == "too few" for check in one.books) or one.faults
    ]
    return _all([one.batch for one in mine], lacking, "tests of each market")


def scale_data(scope: Scope) -> Found:
    """Step, interval, capacity and class of every scale used."""
    used = sorted(set(scope.used["scale"]) - {""})
    if not used:
        return MISSING, "no weighing says on which scale it was made"
    known = scope.works.scales
    full = known[known[["d", "e", "max"]].notna().all(axis=1) & (known["class"] != "")]
    return _all(used, [name for name in used if name not in set(full["scale"])],
                "step, interval, capacity, class")  # fmt: skip


def seven_days(scope: Scope) -> Found:
    """Of batches labelled for New Zealand: weighed at packing and again within seven days."""
    labels = scope.works.labels
    here = labels[
        labels["market"].str.casefold().isin(["nz", "new zealand"])
        | labels["books"].str.contains("nz-7a")
    ]
    bars = [
        one for one in _judged(scope) if one.product in set(here["product"]) and _dries(scope, one)
    ]
    if not bars:
        return NONE_NEEDED, "no drying goods are labelled for New Zealand"
    table = scope.used
    lacking = []
    for one in bars:
        shelf = table[(table["batch"] == one.lot.batch) & (table["stage"] == "shelf")]
        late = shelf["when"] - one.lot.packed_on
        if not ((late >= pd.Timedelta(0)) & (late <= SEVEN)).any():
            lacking.append(one.batch)
    return _all([one.batch for one in bars], lacking, "weighings within seven days")


def software(scope: Scope) -> Found:
    """Published examples rerun on this machine."""
    from qa_tools.evidence.pack.worked import summary, worked_examples

    found = worked_examples()
    return (IN if found["agrees"].all() else PARTLY), summary(found)


CONDITIONS: Final[Mapping[str, Callable[[Scope], Found]]] = {
    one.__name__: one
    for one in (coded, scale_programme, limits, released, standing, stock, looked_at, sampling,
                retained, rejected, corrective, corrections, revisions, calibrated, found_bad,
                nonconforming, quantity, scale_data, seven_days, software)
}  # fmt: skip
