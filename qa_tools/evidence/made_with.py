"""What a batch was made with, as tables: people, scales, wires, tare, and where each is written."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd

from qa_tools.decisions.wires.services import LEAVES
from qa_tools.evidence.batches import STAGE_WORDS
from qa_tools.readings.tare import Tares
from qa_tools.readings.works import Works

_NOT_DATED: Final = "not known: no weighing is dated"
_NONE_BEFORE: Final = {"what": "none before", "when": pd.NaT, "by": ""}


def people(rows: pd.DataFrame) -> pd.DataFrame:
    """Who weighed what of some weighings."""
    found = [
        {
            "by": by or "not said",
            "stage": STAGE_WORDS.get(str(stage), stage or "not said"),
            "weighed": len(part),
            "loaves or trays": ", ".join(sorted(set(part["loaf"]) - {""}, key=_natural)),
            "first": part["when"].min(),
            "last": part["when"].max(),
        }
        for (by, stage), part in rows.groupby(["by", "stage"], sort=False)
    ]
    columns = ["by", "stage", "weighed", "loaves or trays", "first", "last"]
    return pd.DataFrame(found, columns=columns)


def _natural(text: str) -> tuple[float, str]:
    return (int(text), "") if text.isdecimal() else (np.inf, text)


def scales(works: Works, rows: pd.DataFrame) -> pd.DataFrame:
    """The scales of some weighings at each stage, with their checks nearest before and after."""
    found = []
    for (name, stage), part in rows.groupby(["scale", "stage"], sort=False):
        checks = works.scale_checks[works.scale_checks["scale"] == name]
        about = works.scales[works.scales["scale"] == name]
        days, checked = part["when"].dt.normalize().dropna(), checks["when"].dt.normalize()
        before = checks[checked == checked[checked <= days.min()].max()]
        after = checks[checked == checked[checked > days.max()].min()]
        found.append(
            {
                "scale": name or "not said",
                "stage": STAGE_WORDS.get(str(stage), stage or "not said"),
                "weighed": len(part),
                "certificate": next(iter(about["certificate"]), ""),
                "check before": _checks(before) if len(days) else _NOT_DATED,
                "check after": _checks(after) if len(days) else _NOT_DATED,
            }
        )
    columns = ["scale", "stage", "weighed", "certificate", "check before", "check after"]
    return pd.DataFrame(found, columns=columns)


def _checks(rows: pd.DataFrame) -> str:
    """All checks of one day in words: one mass in order must not hide another that was not."""
    if rows.empty:
        return "none"
    told = [
        f"{_amount(row['applied'], row['unit'])} showed {_amount(row['shown'], '')}"
        for row in rows.to_dict("records")
    ]
    return f"{rows['when'].iloc[0]:%Y-%m-%d}: {', '.join(told)}"


def _amount(number: float, unit: str) -> str:
    return "?" if pd.isna(number) else f"{number:g} {unit}".strip()


class Cuts(NamedTuple):
    """
    What was cut on which cutter, and when.

    Attributes
    ----------
    weighed : DataFrame
        The weighings as cut, cutter and day filled in from products.csv and batches.csv.
    unweighed : DataFrame
        Batches of products with a cutter of which none was weighed as cut, by the day made: batch,
        product, cutter, when.
    cutters : list of str
        Those named anywhere.
    """

    weighed: pd.DataFrame
    unweighed: pd.DataFrame
    cutters: list[str]


def cuts(works: Works) -> Cuts:
    """What was cut on which cutter; where only one is named anywhere, all was cut on it."""
    table = works.weighings.table
    rows = table[table["stage"] == "cut"]
    of = {row["product"]: row["cutter"] for row in works.products.to_dict("records")}
    made = works.batches.groupby("batch")["made_on"].min()
    named = {*rows["cutter"], *works.wires["cutter"], *of.values()} - {""}
    usual = next(iter(named)) if len(named) == 1 else ""
    cutter = rows["cutter"].where(rows["cutter"] != "", rows["product"].map(of).fillna(""))
    weighed = rows.assign(
        cutter=cutter.where(cutter != "", usual),
        when=rows["when"].fillna(pd.to_datetime(rows["batch"].map(made.to_dict()))),
    )
    others = works.batches[~works.batches["batch"].isin(rows["batch"])].drop_duplicates("batch")
    others = others[others["product"].map(lambda product: bool(of.get(product)))]
    unweighed = others[["batch", "product"]].assign(
        cutter=others["product"].map(of), when=pd.to_datetime(others["batch"].map(made.to_dict()))
    )
    return Cuts(weighed, unweighed, sorted({*named, *weighed["cutter"]}))


def services_of(works: Works, cutter: str, cutters: Iterable[str]) -> pd.DataFrame:
    """The services of a cutter; those of no cutter too, where there is only one."""
    only = set(cutters) <= {cutter, ""}
    mine = works.wires["cutter"].isin([cutter, ""] if only else [cutter])
    return works.wires[mine].sort_values("when", kind="stable")


def wires(works: Works, found: Cuts, batch: str) -> pd.DataFrame:
    """The last service of each wire before the batch was cut; again where it changed meanwhile."""
    rows: dict[tuple[Any, ...], dict[str, Any]] = {}
    mine = [table[table["batch"] == batch] for table in (found.weighed, found.unweighed)]
    for cutter in found.cutters:
        days = np.unique(np.concatenate([
            table.loc[table["cutter"] == cutter, "when"].dropna().to_numpy() for table in mine
        ]))  # fmt: skip
        served = services_of(works, cutter, found.cutters).dropna(subset=["wire", "when"])
        changed = served[served["what"].str.strip().str.casefold() != LEAVES]
        so_far = np.searchsorted(changed["when"].to_numpy(), days, side="right")
        for many, first in zip(*np.unique(so_far, return_index=True), strict=True):
            last = changed.iloc[:many].drop_duplicates("wire", keep="last").set_index("wire")
            for wire in sorted(set(served["wire"])):
                at = last.loc[wire].to_dict() if wire in last.index else _NONE_BEFORE
                state = {
                    "cutter": cutter,
                    "cut on": pd.Timestamp(days[first]).normalize(),
                    "wire": wire,
                    "last service": at["what"],
                    "when": at["when"],
                    "by": at["by"],
                }
                rows.setdefault((cutter, wire, at["what"], at["when"]), state)
    columns = ["cutter", "cut on", "wire", "last service", "when", "by"]
    return pd.DataFrame(list(rows.values()), columns=columns)


def empties(works: Works, rows: pd.DataFrame) -> Iterator[tuple[pd.DataFrame, list[pd.DataFrame]]]:
    """The weighings that lost the mean of the same empties, with those, a table a part."""
    gross = rows[rows["tare_n"] > 0]
    tares = Tares(works.products, works.tare)
    days = tare_days(works, gross)
    key: Any
    for key, part in gross.groupby([gross["product"], gross["weighed"], days], dropna=False,
                                   sort=False):  # fmt: skip
        product, weighed, day = key
        yield part, tares.empties(product, weighed, None if pd.isna(day) else pd.Timestamp(day))


def tare_days(works: Works, rows: pd.DataFrame) -> pd.Series[pd.Timestamp]:
    """The day that says which empties count: of weighing, else of packing, else of making."""
    made = works.batches.groupby("batch")["made_on"].min().to_dict()
    days: pd.Series[pd.Timestamp] = rows["when"].fillna(rows["packed_on"])
    return days.fillna(pd.to_datetime(rows["batch"].map(made))).dt.normalize()


def tare(works: Works, rows: pd.DataFrame) -> pd.DataFrame:
    """The empties whose means were taken off some weighings, by part."""
    found: dict[tuple[Any, ...], dict[str, Any]] = {}
    for part, taken in empties(works, rows):
        for one in taken:
            row = one.iloc[0]
            key = (part["product"].iloc[0], row["part"], row["supplier_lot"], row["when"])
            about = {
                "part": row["part"],
                "supplier lot": row["supplier_lot"] or "not said",
                "weighed on": row["when"],
                "empties": len(one),
                "mean, g": round(float(one["grams"].mean()), 2),
                "taken off": 0,
            }
            found.setdefault(key, about)["taken off"] += len(part)
    columns = ["part", "supplier lot", "weighed on", "empties", "mean, g", "taken off"]
    return pd.DataFrame(list(found.values()), columns=columns)


def sources(rows: pd.DataFrame) -> pd.DataFrame:
    """The files and rows some weighings stand in."""
    found = [
        {"file": file, "sheet": sheet, "rows": _spans(part["row"]), "weighings": len(part)}
        for (file, sheet), part in rows.groupby(["file", "sheet"], sort=False)
    ]
    return pd.DataFrame(found, columns=["file", "sheet", "rows", "weighings"])


def _spans(numbers: Iterable[int]) -> str:
    """
    Numbers as spans.

    Examples
    --------
    >>> _spans([4, 2, 3, 3, 9])
    '2 to 4, 9'
    """
    there = np.unique(np.fromiter(numbers, int))
    runs = np.split(there, np.flatnonzero(np.diff(there) != 1) + 1)
    return ", ".join(f"{run[0]} to {run[-1]}" if len(run) > 1 else f"{run[0]}" for run in runs)
