"""The record of each batch: what was weighed, by whom, on what, how picked, judged, released."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Any, Final

import numpy as np
import pandas as pd

from qa_tools.books.limits import below
from qa_tools.books.own import percent
from qa_tools.evidence.batches import STAGE_WORDS, Batch, remembered
from qa_tools.evidence.lots import HOLD, RELEASE
from qa_tools.evidence.pack.chances import of_batch
from qa_tools.evidence.pack.scope import Scope
from qa_tools.evidence.pack.section import Gap, Section
from qa_tools.evidence.tables import OUTCOME_WORDS
from qa_tools.pictures.paper import strip
from qa_tools.readings.dates import day_words

NAMED: Final = 40  # batches named in one line


def batches(scope: Scope) -> Section:
    """One record a batch, packed ones first, each with its picture and its release."""
    actions = {
        str(batch): rows.to_dict("records")
        for batch, rows in scope.works.actions.groupby("batch")
        if batch
    }
    first = scope.works.batches.drop_duplicates("batch")
    made = dict(zip(first["batch"], first["made_on"], strict=True))
    records = [_record(one, actions.get(one.lot.batch, []), made) for one in scope.checks]
    gaps = tuple(_gaps(list(zip(scope.checks, records, strict=True))))
    return Section("batches", "The record of each batch", {"records": records}, gaps=gaps)


def _record(batch: Batch, actions: list[dict[Any, Any]], made: dict[str, Any]) -> dict[str, Any]:
    lot, own, sold = batch.lot, batch.own, batch.sold
    return {
        "batch": batch.batch,
        "about": f"{batch.name}{f', label {batch.declared}' if batch.declared else ''}",
        "fresh": batch.stage == "cut",
        "made_on": made.get(lot.batch),
        "packed_on": lot.packed_on,
        "pack_code": lot.pack_code,
        "packages": batch.packages,
        "sent": lot.sent,
        "weighed": len(sold),
        "stage": STAGE_WORDS.get(batch.stage, batch.stage or "not said"),
        "when": _span(sold["when"]),
        "by": _counts(sold["by"]),
        "scale": _counts(sold["scale"]),
        "picked": _counts(sold["picked"]),
        "weighed_as": _counts(sold["weighed"]),
        "tare": _tare(sold),
        "fates": _counts(sold["fate"]) if (sold["fate"] != "").any() else "",
        "files": ", ".join(dict.fromkeys(sold["file"])),
        "own": "" if own is None else own.headline,
        "finding": "" if own is None else own.finding,
        "mean": None if own is None else own.mean,
        "lower": None if own is None else own.mean_lower,
        "upper": None if own is None else own.mean_upper,
        "short": None if own is None else own.short,
        "short_twice": None if own is None else own.short_twice,
        "picture": _picture(batch),
        "tests": [row for check in batch.books for row in _tests(batch, check)],
        "room": [
            f"may lose {100 * one.mean:.1f} % and still average {one.limits.tested} "
            f"({one.limits.book.name})"
            for one in batch.may_lose
        ],
        "notes": [*batch.notes, *batch.doubts, *filter(None, (batch.planned, batch.unweighed))],
        "pull": [
            f"{row['net_g']:.1f} g, row {row['row']} of {row['file']}"
            for row in batch.pull.to_dict("records")
        ],
        "held": lot.held,
        "settled": lot.settled,
        "actions": [
            {
                "id": row["id"],
                "when": row["when"],
                "what": row["what"],
                "by": row["by"],
                "reason": row["reason"],
            }
            for row in actions
        ],
        "release": _release(actions),
    }


def _picture(batch: Batch) -> Any:
    own, net = batch.own, batch.sold["net_g"].to_numpy(float)
    if own is None or not len(net):
        return ""
    limit = own.limits
    return strip(
        net,
        declared=limit.declared_g,
        short=limit.short_g if limit.tolerance_g is not None else None,
        twice=limit.twice_g if np.isfinite(limit.twice_g) else None,
        mean=own.mean,
        lower=own.mean_lower,
        upper=own.mean_upper,
        light=below(net, limit.short_g),
        title=f"{batch.batch}: {own.headline}",
    )


def _tests(batch: Batch, check: Any) -> list[dict[str, Any]]:
    """The official tests under one book: measured, limit, clause; why there is none."""
    head = {
        "book": check.book.name,
        "label": str(check.label),
        "outcome": OUTCOME_WORDS[check.outcome]
        + (" as packed" if check.note.startswith("as packed") else "")
        + (" (figures from memory)" if remembered(check) else ""),
        "note": check.note,
        "chance": of_batch(batch, check),
        "draws": "",
        "reason": check.reason,
        "rows": [],
    }
    if check.verdict is not None:
        if check.verdict.draws is not None:
            head["draws"] = percent(check.verdict.draws.accept)
        head["rows"] = [
            {
                "test": row.test,
                "measured": row.measured_words,
                "limit": row.limit_words,
                "outcome": row.outcome,
                "clause": row.clause,
            }
            for row in check.verdict.rows
        ]
    return [head]


def _release(actions: list[dict[Any, Any]]) -> dict[str, Any] | None:
    """The last release; None where there is none."""
    freed = [row for row in actions if str(row["what"]).strip().casefold().startswith(RELEASE)]
    if not freed:
        return None
    last = max(freed, key=lambda row: (pd.notna(row["when"]), row["when"]))
    held = any(str(row["what"]).strip().casefold().startswith(HOLD) for row in actions)
    return {
        "by": last["by"],
        "approved_by": last["approved_by"],
        "named": bool(last["by"] or last["approved_by"]),
        "when": last["when"],
        "reason": last["reason"],
        "held": held,
    }


def _gaps(told: list[tuple[Batch, dict[str, Any]]]) -> Iterator[Gap]:
    """What the records leave out, one line a kind, with the batches it is of."""
    packed = [(batch, record) for batch, record in told if not record["fresh"]]
    free = [
        batch.batch + (f" ({record['sent']} sent)" if record["sent"] else "")
        for batch, record in packed
        if record["release"] is None and not batch.lot.held and not batch.lot.away
    ]
    if free:
        yield Gap(f"no release is recorded of {_listed(free)}", "Record one for each batch: "
                  "qa-tools action FOLDER release --batch ... --by ...")  # fmt: skip
    for what, to_do, names in (
        ("released, and nobody is named", "Fill in by in actions.csv", [
            batch.batch for batch, record in packed
            if record["release"] and not record["release"]["named"]
        ]),
        ("was held, and released without a reason", "Write the reason into actions.csv", [
            batch.batch for batch, record in packed
            if record["release"] and record["release"]["held"] and not record["release"]["reason"]
        ]),
    ):  # fmt: skip
        if names:
            yield Gap(f"{what}: {_listed(names)}", to_do)
    for what, column in (("who weighed", "by"), ("on which scale", "scale"),
                         ("how packages were picked", "picked")):  # fmt: skip
        blank = [
            f"{batch.batch} ({lost} of {len(batch.sold)})"
            for batch, _ in packed
            if (lost := int((batch.sold[column] == "").sum()))
        ]
        if blank:
            yield Gap(f"{what} is not said in {_listed(blank)}", f'Keep a column "{column}"')


def _listed(names: list[str]) -> str:
    """Names, all of them where they are few; else how many, and the first."""
    if len(names) <= NAMED:
        return ", ".join(names)
    return f"{len(names)} batches: {', '.join(names[:NAMED])} and {len(names) - NAMED} more"


def _counts(column: pd.Series[str]) -> str:
    """What a column says, each with how often where there is more than one."""
    told = Counter(text or "not said" for text in column.tolist())
    if len(told) == 1:
        return next(iter(told))
    return ", ".join(f"{text} ({count})" for text, count in told.most_common())


def _span(when: pd.Series[pd.Timestamp]) -> str:
    days = when.dropna()
    if days.empty:
        return "not dated"
    first, last = days.min(), days.max()
    if first.normalize() == last.normalize():
        times = f", {first:%H:%M} to {last:%H:%M}" if first != last else ""
        return f"{day_words(first)}{times}"
    return f"{day_words(first, year=False)} to {day_words(last)}"


def _tare(sold: pd.DataFrame) -> str:
    """What was taken off as tare, where a mean of empties was."""
    by_mean = sold[sold["tare_n"] > 0]
    told = by_mean[["tare_g", "tare_sd_g", "tare_n"]].drop_duplicates()
    return "; ".join(
        f"mean of {int(row['tare_n'])} empty: {row['tare_g']:.2f} g"
        + (f" (sd {row['tare_sd_g']:.2f} g)" if pd.notna(row["tare_sd_g"]) else "")
        for row in told.to_dict("records")
    )
