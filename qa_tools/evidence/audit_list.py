"""The auditor's list: for each item where the evidence is, or what is missing and how to begin."""

from __future__ import annotations

import datetime as dt
import re
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Final

import pandas as pd

from qa_tools.books.limits import EXACT_G
from qa_tools.evidence.batches import Batch
from qa_tools.evidence.lots import AWAY, HOLD, RELEASE, open_hold
from qa_tools.evidence.pack.scope import Scope, scope_of
from qa_tools.evidence.shown import Shown
from qa_tools.readings.changed import NORMAL
from qa_tools.readings.headings import word_for
from qa_tools.readings.log import check_chain, log_path, logged
from qa_tools.readings.quantities import GRAMS
from qa_tools.readings.works import Works

IN, PARTLY, MISSING, OTHER = "in the pack", "partly", "missing", "a paper"
NONE_NEEDED: Final = "nothing to show"
NAMED: Final = 8  # batches named in one line
SEVEN: Final = pd.Timedelta(days=7)
_NEW_ZEALAND: Final = ("nz", "new zealand")

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
    found, paper = _paper(scope.works, about["papers"])
    if paper:
        return (found, paper) if status == MISSING else (status, f"{said}; {paper}")
    return status, said


def _paper(works: Works, words: Iterable[str]) -> Found:
    """The papers of documents.csv whose name has one of the words; one must be findable."""
    told, findable = [], False
    for row in works.documents.to_dict("records"):
        if any(word in str(row["what"]).casefold() for word in words):
            findable |= bool(row["reference"] or row["kept_where"])
            parts = [str(row["what"]), str(row["reference"])]
            parts += [f"revision {row['revision']}"] if row["revision"] else []
            parts += [f"{row['date']:%Y-%m-%d}"] if pd.notna(row["date"]) else []
            parts += [str(row["kept_where"])]
            told.append(", ".join(filter(None, parts)))
    paper = "; ".join(told)
    if told and not findable:
        return PARTLY, f"{paper}: neither its number nor where it is kept is listed"
    return OTHER, paper


# ---------------------------------------------------------------- what the records show


def _judged(scope: Scope) -> list[Batch]:
    return [one for one in scope.checks if one.stage != "cut"]


def _packed(scope: Scope) -> list[str]:
    """The batches that were packed, each once: those weighed then, and those nobody weighed."""
    return list(
        dict.fromkeys([*(one.lot.batch for one in _judged(scope)), *scope.unweighed["batch"]])
    )


def _actions(scope: Scope, *begins: str) -> pd.DataFrame:
    """Actions on the batches spoken of, or of none, that begin with one of some words.

    The correction of a reading is none: it says nothing of the batch.
    """
    actions = scope.works.actions
    mine = actions["batch"].isin([*scope.names, ""]) & (actions["reading"] == "")
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
    return PARTLY, f"{what} of {len(all_) - len(left)} of {len(all_)}; not of {_some(left)}"


def _some(names: Sequence[str]) -> str:
    """The first of many names, and how many more."""
    more = f" and {len(names) - NAMED} more" if len(names) > NAMED else ""
    return ", ".join(names[:NAMED]) + more


def _named(rows: pd.DataFrame) -> pd.Series[str]:
    """What to call each action: its id, else its batch, else its row of the list."""
    rest = pd.Series([f"entry {number + 1}" for number in rows.index], rows.index, dtype="str")
    return rows["id"].where(rows["id"] != "", rows["batch"].where(rows["batch"] != "", rest))


def _scales(scope: Scope, ready: Iterable[str], what: str) -> Found:
    """How many of the scales used are ready; never all where a weighing names no scale."""
    names = scope.used["scale"]
    used = sorted(set(names) - {""})
    if not used:
        return MISSING, "no weighing says on which scale it was made"
    status, said = _all(used, [name for name in used if name not in set(ready)], what)
    unnamed = int((names == "").sum())
    if not unnamed:
        return status, said
    return (PARTLY if status == IN else status), f"{said}; {unnamed} weighings name no scale"


def coded(scope: Scope) -> Found:
    """A pack code of every batch packed."""
    runs = scope.works.batches
    uncoded = set(runs.loc[runs["pack_code"] == "", "batch"])
    coded_ = set(runs["batch"]) - uncoded
    packed = _packed(scope)
    return _all(packed, [name for name in packed if name not in coded_], "pack codes")


def scale_programme(scope: Scope) -> Found:
    """A row of the plan for every scale used, and every check it asks for done in the period."""
    checks = scope.works.scale_checks
    if scope.week is not None:
        checks = checks[scope.week.holds(checks["when"])]
    used = set(scope.used["scale"]) - {""}
    checks = checks[checks["scale"].isin(used)]
    status, said = _scales(scope, checks["scale"], "checks")
    if status == MISSING:
        return MISSING, said
    told = [f"{len(checks)} checks: {said}"]
    due = scope.planned.checks[scope.planned.checks["product"].isin(used)]
    if unplanned := sorted(used - set(scope.planned.table["product"])):
        told.append(f"no programme in plan.csv that could be followed for {', '.join(unplanned)}")
    if missed := int((due["status"] == "missing").sum()):
        told.append(f"{missed} of the {len(due)} the plan asks for missing")
    return (IN if status == IN and len(told) == 1 else PARTLY), "; ".join(told)


def limits(scope: Scope) -> Found:
    """Limits in the plan for every product, the checks it asks for done, what lay outside told."""
    products = sorted(set(scope.keys["product"]) - {""})
    if not products:
        return MISSING, "of no weighing is it known what product it is of"
    plan = scope.works.plan
    limited = plan[plan["low"].notna() | plan["high"].notna()]
    lacking = [product for product in products if product not in set(limited["product"])]
    if lacking:
        return _all(products, lacking, "limits in plan.csv")
    found = scope.planned
    checks = found.checks[found.checks["what"].isin(scope.names)]
    told = []
    if unfollowed := sorted(set(products) - set(found.table["product"])):
        told.append(f"plan.csv could not be followed for {', '.join(unfollowed)}")
    elif checks.empty:
        told.append("no check of these batches was due in this period")
    states = checks["status"].value_counts()
    late = [f"{states[name]} {name}" for name in ("late", "short", "missing") if name in states]
    told += [f"of {len(checks)} checks {', '.join(late)}"] if late else []
    untold = _outside(scope)
    told += [f"weighings outside the limits and nothing said of it: {_some(untold)}"] * bool(untold)
    if told:
        return PARTLY, f"limits for all {len(products)} products; {'; '.join(told)}"
    return IN, f"limits for all {len(products)} products, {len(checks)} checks done"


def _outside(scope: Scope) -> list[str]:
    """Batches with weighings outside the plan's limits and neither an action nor a note of it."""
    table = scope.used
    acted = set(_actions(scope, "")["batch"])
    dealt = (
        table["batch"].isin(acted)
        | ~table["fate"].isin(["", "kept", "retained"])
        | (table["note"] != "")
    )
    open_ = table[~dealt]
    out: list[str] = []
    for row in scope.works.plan.to_dict("records"):
        stage = word_for("stage", str(row["stage"])) or str(row["stage"]).strip().casefold()
        mine = open_[(open_["product"] == row["product"]) & (open_["stage"] == stage)]
        # an open side compares as False
        away = (mine["net_g"] < row["low"] - EXACT_G) | (mine["net_g"] > row["high"] + EXACT_G)
        out += mine.loc[away, "batch"].tolist()
    return list(dict.fromkeys(out))


def released(scope: Scope) -> Found:
    """A release by a named person of every batch, and none sent before it or while on hold."""
    free = _actions(scope, *RELEASE)
    named = free[(free["by"] != "") | (free["approved_by"] != "")]
    first = named.groupby("batch")["when"].min()
    sent = scope.works.dispatch.groupby("batch")["when"].min()
    gone = set(scope.works.dispatch["batch"])
    away = {one.lot.batch for one in _judged(scope) if one.lot.away}
    held = {name for name in _packed(scope) if open_hold(scope.works, name, scope.as_of)[0]}
    mine = [name for name in _packed(scope) if name in gone or name not in away | held]
    lacking = [name for name in mine if name not in first or name in held]
    status, said = _all(mine, lacking, "releases")
    early = [
        name
        for name in mine
        if name in first and name in sent and sent[name].floor("D") < first[name].floor("D")
    ]
    if early:
        return PARTLY, f"{said}; sent before it was released: {_some(early)}"
    return status, said


def standing(scope: Scope) -> Found:
    """Released, held or taken away: one of them recorded of every batch."""
    known = set(_actions(scope, *HOLD, *RELEASE, *AWAY)["batch"])
    mine = _packed(scope)
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


def _nobody_knows(scope: Scope) -> list[str]:
    """Batches no test and no label could judge: whether they are short is not known."""
    judged = {
        one.lot.batch
        for one in _judged(scope)
        if one.own is not None or any(check.outcome in ("accept", "reject") for check in one.books)
    }
    return [name for name in _packed(scope) if name not in judged]


def _none_bad(scope: Scope, said: str) -> Found:
    """Nothing to show where no batch is bad; missing or partly where that is not known of all."""
    unknown = _nobody_knows(scope)
    if not unknown:
        return NONE_NEEDED, said
    status = MISSING if len(unknown) == len(_packed(scope)) else PARTLY
    return status, f"{said}, but nothing could judge {_some(unknown)}"


def looked_at(scope: Scope) -> Found:
    """An action with cause and approval on every batch that fails."""
    rows = _actions(scope, *HOLD, *AWAY, "correct")
    full = rows[(rows["cause"] != "") & (rows["approved_by"] != "")]
    bad = _bad(scope)
    if not bad:
        return _none_bad(scope, "no batch fails or averages short")
    return _all(bad, [name for name in bad if name not in set(full["batch"])], "cause and approval")


def sampling(scope: Scope) -> Found:
    """Who, how picked, on which scale: of every weighing."""
    rows = scope.used
    if rows.empty:
        return NONE_NEEDED, ""
    shares = {name: float((rows[name] != "").mean()) for name in ("by", "picked", "scale")}
    told = ", ".join(f"{name} of {int(100 * share)} %" for name, share in shares.items())
    if min(shares.values()) == 1:
        return IN, f"{len(rows)} weighings: {told}"
    return (PARTLY if max(shares.values()) > 0 else MISSING), f"{len(rows)} weighings: {told}"


def retained(scope: Scope) -> Found:
    """A package kept back of every batch."""
    kept = set(scope.used.loc[scope.used["fate"] == "retained", "batch"])
    mine = _packed(scope)
    return _all(mine, [name for name in mine if name not in kept], "samples kept")


def rejected(scope: Scope) -> Found:
    """Cause, approval and a check of every rework and scrap."""
    rows = _actions(scope, *AWAY)
    rows = rows[rows["batch"] != ""]
    if rows.empty:
        return NONE_NEEDED, "nothing was reworked or destroyed"
    causes = _actions(scope, *HOLD).groupby("batch")["cause"].max().to_dict()
    cause = rows["cause"].where(rows["cause"] != "", rows["batch"].map(causes).fillna(""))
    full = (cause != "") & (rows["approved_by"] != "") & rows["checked_on"].notna()
    names = _named(rows)
    return _all(names, names[~full], "cause, approval, check")


def corrective(scope: Scope) -> Found:
    """Corrections with cause, approval and the day they were seen to have worked."""
    rows = _actions(scope, "correct")
    if scope.week is not None:
        rows = rows[(rows["batch"] != "") | scope.week.holds(rows["when"])]
    if rows.empty:
        if _bad(scope):
            return MISSING, "batches fail or average short, and no correction is recorded"
        return _none_bad(scope, "no batch fails or averages short, and nothing was corrected")
    full = (rows["cause"] != "") & (rows["approved_by"] != "") & rows["checked_on"].notna()
    names = _named(rows)
    return _all(names, names[~full], "cause, approval, check")


def corrections(scope: Scope) -> Found:
    """A whole log of what was read, no edit unexplained, corrections with why, who and when."""
    works = scope.works
    rows = works.actions[works.actions["reading"] != ""]
    before = logged(works.folder)
    if not before.at:
        return MISSING, "no log of what was read is kept: a change of a sheet would not show"
    told = []
    lacking = rows[(rows["reason"] == "") | (rows["by"] == "") | rows["when"].isna()]
    told += [f"{len(lacking)} corrections lack a reason, a name or a day"] * (len(lacking) > 0)
    if check_chain(log_path(works.folder)):
        told.append("the log is not whole")
    changed = works.changes()
    plain = changed["kind"].isin([*NORMAL, "list changed"]) | (changed["explained"] != "")
    told += [f"{int((~plain).sum())} changes of sheets nobody explained"] * bool((~plain).any())
    unlogged = sorted(set(scope.used["file"]) - set(before.files))
    told += [f"not yet logged: {_some(unlogged)}"] if unlogged else []
    if told:
        return PARTLY, f"a log of what was read; {'; '.join(told)}"
    return IN, f"a log of what was read, and {len(rows)} corrections"


def revisions(scope: Scope) -> Found:
    """A revision of every paper and every row of the plan, and a paper that says why."""
    papers, plan = scope.works.documents, scope.works.plan
    of_plan = "plan of " + plan["product"].astype(str) + " " + plan["stage"].astype(str)
    names = [*papers["what"], *of_plan]
    if not names:
        return MISSING, "neither documents.csv nor plan.csv has a row"
    lacking = [*papers.loc[papers["revision"] == "", "what"], *of_plan[plan["revision"] == ""]]
    status, said = _all(names, lacking, "revisions")
    told = [said]
    told += ["documents.csv lists no paper"] if papers.empty else []
    why = papers["what"].str.casefold().str.contains("revision|change", regex=True)
    told += [] if why.any() else ["why they were revised is in no paper listed"]
    return (PARTLY if status == IN and len(told) > 1 else status), "; ".join(told)


def calibrated(scope: Scope) -> Found:
    """A certificate of every scale used, from before its first weighing here to the last day."""
    first = scope.used.groupby("scale")["when"].min()
    known = scope.works.scales
    begun = ~(known["calibrated_on"] > known["scale"].map(first.to_dict()))
    now = known["calibration_due"] >= scope.as_of.floor("D")
    dated = begun & known["calibrated_on"].notna() & now
    ok = known[dated & (known["certificate"] != "")]
    return _scales(scope, ok["scale"], "a certificate in date")


def found_bad(scope: Scope) -> Found:
    """Where a scale showed more than a scale interval too much: something was done about it."""
    used = sorted(set(scope.used["scale"]) - {""})
    about = scope.works.scales.drop_duplicates("scale", keep="last").set_index("scale")
    checks = scope.works.scale_checks[scope.works.scale_checks["scale"].isin(used)]
    interval = checks["scale"].map(about["e"].fillna(about["d"]).to_dict())
    grams = checks["unit"].map(lambda unit: float(GRAMS[unit or "g"])).astype(float)
    away = (checks["shown"] - checks["applied"]).abs() * grams
    read = checks[interval.notna() & away.notna()]
    unknown = [name for name in used if name not in set(read["scale"])]
    if not used or len(unknown) == len(used):
        return MISSING, "no check of a scale can be held against its scale interval: nobody knows"
    doubt = f"; not known of {_some(unknown)}" if unknown else ""
    worst = checks[away > interval + EXACT_G]
    bad = sorted(set(worst["scale"]))
    if not bad:
        said = f"no check was off by more than one scale interval{doubt}"
        return (PARTLY if unknown else NONE_NEEDED), said
    undone = [name for name in bad if not _acted_on(scope, name, worst)]
    status, said = _all(bad, undone, "an action")
    return (PARTLY if unknown and status == IN else status), said + doubt


def _acted_on(scope: Scope, scale: str, worst: pd.DataFrame) -> bool:
    """Whether an action names the scale, since its check was first off."""
    actions = scope.works.actions
    texts = actions["what"] + " " + actions["reason"] + " " + actions["cause"]
    names = texts.str.contains(rf"(?<!\w){re.escape(scale)}(?!\w)", case=False, regex=True)
    since = worst.loc[worst["scale"] == scale, "when"].min()
    after = ~(actions["when"] < since) if pd.notna(since) else True
    return bool((names & texts.str.contains("scale|balance", case=False) & after).any())


def nonconforming(scope: Scope) -> Found:
    """Of every batch held, taken away or short: why, who decided, and no hold still open."""
    rows = _actions(scope, *HOLD, *AWAY)
    rows = rows[rows["batch"] != ""]
    names = [*_bad(scope), *rows["batch"]]
    if not names:
        return _none_bad(scope, "no batch was held, reworked or judged short")
    reasoned = set(rows.loc[(rows["reason"] != "") | (rows["cause"] != ""), "batch"])
    freed = _actions(scope, *RELEASE)
    decided = pd.concat([rows, freed])
    by_whom = set(decided.loc[(decided["approved_by"] != "") | (decided["by"] != ""), "batch"])
    held = [name for name in names if open_hold(scope.works, name, scope.as_of)[0]]
    lacking = [name for name in names if name not in reasoned & by_whom or name in held]
    status, said = _all(names, lacking, "a decision with its reason")
    return status, said + (f"; still on hold: {_some(list(dict.fromkeys(held)))}" if held else "")


def quantity(scope: Scope) -> Found:
    """An official test that could be run on every batch, under every book of its labels."""
    judged = _judged(scope)
    untested = {
        one.lot.batch
        for one in judged
        if one.faults
        or one.unweighed
        or not one.books
        or any(check.verdict is None or check.outcome == "too few" for check in one.books)
    }
    tested = {one.lot.batch for one in judged} - untested
    mine = _packed(scope)
    return _all(mine, [name for name in mine if name not in tested], "tests of each market")


def scale_data(scope: Scope) -> Found:
    """Step, interval, capacity and class of every scale used."""
    known = scope.works.scales
    full = known[known[["d", "e", "max"]].notna().all(axis=1) & (known["class"] != "")]
    return _scales(scope, full["scale"], "step, interval, capacity, class")


def seven_days(scope: Scope) -> Found:
    """Of drying goods for New Zealand: weighed at packing, again within seven days, kept how."""
    labels, sent = scope.works.labels, scope.works.dispatch
    here = labels["market"].str.casefold().isin(_NEW_ZEALAND) | labels["books"].str.contains(
        "nz-7a", regex=False
    )
    gone = set(sent.loc[sent["market"].str.casefold().isin(_NEW_ZEALAND), "batch"])
    products = set(labels.loc[here, "product"])
    bars = [
        one
        for one in _judged(scope)
        if (one.product in products or one.lot.batch in gone) and _dries(scope, one)
    ]
    if not bars:
        return NONE_NEEDED, "no drying goods are labelled for New Zealand"
    table = scope.used
    humid = scope.works.cure[scope.works.cure["humidity"].notna()]
    lacking = []
    for one in bars:
        mine = table[table["batch"] == one.lot.batch]
        packed = mine[(mine["stage"] == "packed") & mine["when"].notna()]
        shelf = mine[mine["stage"] == "shelf"]
        after = shelf["when"].dt.normalize() - one.lot.packed_on.floor("D")
        again = shelf[(after >= pd.Timedelta(0)) & (after <= SEVEN)]
        stored = (again["note"] != "").any() or one.lot.batch in set(humid["batch"])
        if packed.empty or again.empty or not stored:
            lacking.append(one.lot.batch)
    return _all([one.lot.batch for one in bars], lacking, "both weighings and how it was stored")


def charted(scope: Scope) -> Found:
    """A control chart of every product."""
    products = sorted(set(scope.keys["product"]) - {""})
    if not products:
        return MISSING, "of no weighing is it known what product it is of"
    drawn = {one.product for one in scope.charts}
    return _all(products, [name for name in products if name not in drawn], "control charts")


def software(scope: Scope) -> Found:
    """Published examples rerun on this machine."""
    from qa_tools.evidence.pack.worked import summary, worked_examples

    found = worked_examples()
    return (IN if found["agrees"].all() else PARTLY), summary(found)


CONDITIONS: Final[Mapping[str, Callable[[Scope], Found]]] = {
    one.__name__: one
    for one in (coded, scale_programme, limits, released, standing, stock, looked_at, sampling,
                retained, rejected, corrective, corrections, revisions, calibrated, found_bad,
                nonconforming, quantity, scale_data, seven_days, charted, software)
}  # fmt: skip
