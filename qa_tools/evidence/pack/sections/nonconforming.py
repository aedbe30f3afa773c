"""Batches held, reworked, withdrawn or judged short: cause, action, approval, check, closure."""

from __future__ import annotations

from typing import Any

import pandas as pd

from qa_tools.evidence.batches import Batch
from qa_tools.evidence.lots import AWAY, HOLD, RELEASE
from qa_tools.evidence.pack.scope import Scope
from qa_tools.evidence.pack.section import Gap, Section
from qa_tools.readings.dates import day_words


def nonconforming(scope: Scope) -> Section:
    """What did not hold, and what was done: every action on these batches, and of the period."""
    rows = _rows(scope)
    closing = {
        str(row["closes"]): row for row in scope.works.actions.to_dict("records") if row["closes"]
    }
    cases = [_case(row, closing) for row in rows]
    named = {case["batch"] for case in cases if case["stops"]}
    bad = [(one, why) for one in scope.checks if (why := _why_bad(one))]
    gaps = [gap for case in cases for gap in _lacks(case)]
    gaps += [
        Gap(f"{one.batch}: {why}, and no hold or rework of it is recorded",
            "Decide what becomes of it and record it: qa-tools action FOLDER hold --batch ...")
        for one, why in bad
        if one.lot.batch not in named
    ]  # fmt: skip
    columns = ["id", "when", "batch", "what", "reason", "cause", "by", "approved_by", "checked_on",
               "closed"]  # fmt: skip
    table = pd.DataFrame(
        [{name: case[name] for name in columns} for case in cases], columns=columns
    )
    return Section(
        "nonconforming",
        "What did not hold, and what was done",
        {"bad": [(one.batch, why, one.lot.settled) for one, why in bad], "many": len(cases)},
        {"actions": table},
        tuple(gaps),
    )


def _rows(scope: Scope) -> list[dict[Any, Any]]:
    """The actions on the batches spoken of; of the period those that name no batch."""
    actions = scope.works.actions.sort_values("when", kind="stable")
    mine = actions["batch"].isin(scope.names)
    free = (actions["batch"] == "") & (actions["reading"] == "")
    if scope.week is not None:
        free &= scope.week.holds(actions["when"])
    return actions[mine | free].to_dict("records")


def _case(row: dict[Any, Any], closing: dict[str, dict[Any, Any]]) -> dict[str, Any]:
    what = str(row["what"]).strip().casefold()
    end = closing.get(str(row["id"])) if row["id"] else None
    stops = what.startswith((*HOLD, *AWAY))
    closed = ""
    if end is not None:
        closed = f"{end['what']} ({end['id']})" + (
            f", {day_words(end['when'], year=False)}" if pd.notna(end["when"]) else ""
        )
    return {**row, "stops": stops, "holds": what.startswith(HOLD), "closed": closed,
            "frees": what.startswith(RELEASE)}  # fmt: skip


def _why_bad(batch: Batch) -> str:
    """What is wrong with a batch that is judged; "" where nothing is."""
    if batch.stage == "cut":
        return ""
    failed = [check.book.name for check in batch.books if check.outcome == "reject"]
    if failed:
        return f"would fail under {', '.join(dict.fromkeys(failed))}"
    if batch.own is not None and batch.own.finding == "short":
        return f"averages {-batch.own.over:.2f} g short"
    return ""


def _lacks(case: dict[str, Any]) -> list[Gap]:
    """What the record of one action leaves out."""
    if case["frees"]:
        return []
    name = str(case["id"] or f"{case['what']} of {case['batch'] or 'no batch'}")
    found = []
    needed = ("reason", "by") if not case["stops"] else ("reason", "by", "cause", "approved_by")
    missing = [one for one in needed if not str(case[one]).strip()]
    if missing:
        words = ", ".join(one.replace("_", " ") for one in missing)
        found.append(Gap(f"{name}: no {words}", "Fill it in in actions.csv"))
    if case["holds"] and not case["closed"]:
        found.append(Gap(f"{name}: {case['batch']} is on hold, not closed", "Decide, and record it "
                         "with the id in the column closes"))  # fmt: skip
    if not case["holds"] and pd.isna(case["checked_on"]):
        found.append(Gap(f"{name}: nobody checked that it worked", "Fill in checked_on"))
    return found
