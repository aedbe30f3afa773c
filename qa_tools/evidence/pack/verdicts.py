"""The verdict tables of an audit pack, and the same worked out anew from its source files."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from qa_tools.books.official import TestRow
from qa_tools.evidence.batches import PULL, Batch, BookCheck
from qa_tools.evidence.pack.scope import Scope, scope_of
from qa_tools.evidence.pack.written import csv_bytes
from qa_tools.readings.works import read_works

FOLDER: Final = "data/verdicts"
PLACES: Final = 6  # decimals of grams and shares: a microgram, and the same on every machine
BATCHES: Final = [
    "batch", "pack_code", "product", "stage", "packed_on", "packages", "weighed", "declared",
    "mean_g", "sd_g", "mean_lower_g", "mean_upper_g", "short", "short_twice", "short_upper",
    "short_twice_upper", "lightest_g", "finding", "sent", "held", "settled",
]  # fmt: skip
OUTCOMES: Final = [
    "batch", "book", "label", "outcome", "reason", "note", "may_ship", "draws_pass", "from_memory",
]  # fmt: skip
TESTS: Final = ["batch", "book", "label", *TestRow._fields]


def verdict_tables(scope: Scope) -> dict[str, pd.DataFrame]:
    """
    Every verdict of a pack: ``batches`` (our own check), ``outcomes``, ``tests``, ``pull``.

    Examples
    --------
    >>> tables = verdict_tables(scope_of(getfixture("demo_works"), batches="RS-1028"))
    >>> tables["outcomes"].set_index("book")["outcome"].sort_index().to_dict()
    {'ca-crc-417': 'reject', 'eu-76-211': 'reject', 'uk-2006-659': 'reject'}
    """
    checks = scope.checks
    return {
        "batches": _table([_own(batch) for batch in checks], BATCHES),
        "outcomes": _table([row for one in checks for row in _outcomes(one)], OUTCOMES),
        "tests": _table([row for one in checks for row in _tests(one)], TESTS),
        "pull": _table([row for one in checks for row in one.pull.to_dict("records")], PULL),
    }


def recomputed(sources: Path, parameters: Mapping[str, Any]) -> dict[str, bytes]:
    """
    The verdict files of a pack, made anew from the source files in it.

    Parameters
    ----------
    sources : Path
        The pack's ``data/sources``.
    parameters : mapping
        As the manifest has them.

    Returns
    -------
    dict
        The bytes of each file by its path in the pack.

    Raises
    ------
    ValueError
        The sources cannot be read, or hold nothing of what was asked for.
    """
    alone = parameters.get("workbook")  # a works that was one file
    if alone is not None and alone not in {path.name for path in sources.iterdir()}:
        raise ValueError(f"{alone!r} is no file of the pack")
    works = read_works(sources / alone if alone else sources)
    scope = scope_of(
        replace(works, name=str(parameters.get("works", works.name))),
        parameters.get("start"),
        parameters.get("end"),
        parameters.get("products"),
        parameters.get("batches"),
    )
    return verdict_files(scope)


def verdict_files(scope: Scope) -> dict[str, bytes]:
    """The verdict tables as the files of a pack."""
    return {
        f"{FOLDER}/{name}.csv": csv_bytes(table) for name, table in verdict_tables(scope).items()
    }


def _table(rows: list[Any], columns: list[str]) -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=columns)
    for name in table.columns:
        if table[name].dtype == np.float64:
            table[name] = table[name].round(PLACES) + 0.0
    return table


def _own(batch: Batch) -> dict[str, Any]:
    lot, own, net = batch.lot, batch.own, batch.sold["net_g"]
    return {
        "batch": lot.batch,
        "pack_code": lot.pack_code,
        "product": batch.product,
        "stage": batch.stage,
        "packed_on": lot.packed_on,
        "packages": batch.packages,
        "weighed": len(net),
        "declared": batch.declared,
        "mean_g": float(net.mean()) if own is None else own.mean,
        "sd_g": float(net.std(ddof=1)) if len(net) > 1 else np.nan,
        "mean_lower_g": np.nan if own is None else own.mean_lower,
        "mean_upper_g": np.nan if own is None else own.mean_upper,
        "short": None if own is None else own.short,
        "short_twice": None if own is None else own.short_twice,
        "short_upper": np.nan if own is None else own.short_upper,
        "short_twice_upper": np.nan if own is None else own.short_twice_upper,
        "lightest_g": float(net.min()) if len(net) else np.nan,
        "finding": "" if own is None else own.finding,
        "sent": lot.sent,
        "held": lot.held,
        "settled": lot.settled,
    }


def _outcomes(batch: Batch) -> Iterator[dict[str, Any]]:
    for check in batch.books:
        draws = None if check.verdict is None else check.verdict.draws
        yield {
            "batch": batch.batch,
            "book": check.book.name,
            "label": str(check.label),
            "outcome": check.outcome,
            "reason": check.reason,
            "note": check.note,
            "may_ship": _may_ship(check),
            "draws_pass": np.nan if draws is None else draws.accept,
            "from_memory": check.verdict is not None and bool(check.verdict.from_memory),
        }


def _may_ship(check: BookCheck) -> bool:
    passed = check.outcome == "accept" and check.verdict is not None
    return passed and check.verdict is not None and check.verdict.may_ship


def _tests(batch: Batch) -> Iterator[dict[str, Any]]:
    for check in batch.books:
        head = {"batch": batch.batch, "book": check.book.name, "label": str(check.label)}
        if check.verdict is not None:
            for test in check.verdict.rows:
                yield head | test._asdict()
