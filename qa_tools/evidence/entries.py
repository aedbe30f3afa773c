"""Entries of dispatch.csv and actions.csv that do not fit the rest, and sheets changed since."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

import pandas as pd

from qa_tools.evidence.batches import Batch
from qa_tools.evidence.findings import Finding
from qa_tools.evidence.lots import AWAY, HOLD, OTHER, RELEASE
from qa_tools.readings.changed import Change, in_words
from qa_tools.readings.dates import day_words
from qa_tools.readings.log import check_chain, log_path
from qa_tools.readings.works import Works

SHOWN: Final = 6  # changes told one by one


def of_entries(
    works: Works, readings: pd.DataFrame, checks: Sequence[Batch]
) -> Iterator[Finding]:  # fmt: skip
    """
    What is wrong with entries of batches nobody knows, and of the batches reviewed.

    Parameters
    ----------
    works : Works
    readings : DataFrame
        As ``Weighings.table``.
    checks : sequence of Batch
        The batches reviewed.
    """
    known = {*works.batches["batch"], *readings["batch"]} - {""}
    reviewed = {batch.lot.batch for batch in checks}
    dispatch, actions = works.dispatch, works.actions
    for name, table in (("dispatch.csv", dispatch), ("actions.csv", actions)):
        for batch in table["batch"].unique():
            if batch and batch not in known:
                yield Finding("list to mend", "", f"{name}: no batch is called {batch}.")
    for batch, rows in dispatch.groupby("batch", sort=False):
        if batch in reviewed:
            yield from _sent(works, str(batch), rows)
    for row in actions[actions["batch"].isin(reviewed)].to_dict("records"):
        word = str(row["what"]).strip().casefold()
        if not word.startswith((*HOLD, *RELEASE, *AWAY, *OTHER)):
            yield Finding(
                "list to mend",
                "",
                f'actions.csv: "{row["what"]}" of batch {row["batch"]} is not understood; write '
                "hold, release, rework, scrap, withdraw or correction.",
            )


def _sent(works: Works, batch: str, rows: pd.DataFrame) -> Iterator[Finding]:
    runs = works.batches[works.batches["batch"] == batch]
    sent = pd.to_numeric(rows["quantity"]).sum()
    if len(runs) and runs["packages"].notna().all() and sent > runs["packages"].sum():
        yield Finding(
            "list to mend",
            "",
            f"dispatch.csv: {sent:.0f} of batch {batch} sent, of {runs['packages'].sum()} packed.",
        )
    packed = runs["packed_on"].min()
    early = rows[rows["when"] < packed] if pd.notna(packed) else rows.iloc[:0]
    if len(early):
        yield Finding(
            "list to mend",
            "",
            f"dispatch.csv: batch {batch} was sent on {day_words(early['when'].min())}, before it "
            f"was packed on {day_words(packed)}.",
        )
    labels = works.labels[works.labels["product"].isin(runs["product"])]
    markets = {str(market).casefold() for market in labels["market"]} - {""}
    for market in rows["market"].unique():
        if markets and market and str(market).casefold() not in markets:
            yield Finding(
                "list to mend",
                "",
                f"dispatch.csv: batch {batch} was sent to {market}, and labels.csv has no label of "
                "its product for that market: nothing judges it there.",
            )


def of_releases(works: Works, checks: Sequence[Batch]) -> Iterator[Finding]:
    """Releases of the batches reviewed that name nobody, or free a held batch without a reason."""
    reviewed = {batch.lot.batch for batch in checks}
    actions = works.actions[works.actions["batch"].isin(reviewed)]
    what = actions["what"].str.strip().str.casefold()
    actions, held = actions.assign(word=what).sort_values("when", kind="stable"), set()
    for row in actions.to_dict("records"):
        if row["word"].startswith(HOLD):
            held.add(row["batch"])
        if not row["word"].startswith(RELEASE):
            continue
        lacking = [] if row["by"] or row["approved_by"] else ["who released it"]
        if row["batch"] in held and not row["reason"]:
            lacking.append("why it was released after a hold")
        if lacking:
            key = row["id"] or "no id"
            text = f"actions.csv ({key}): {row['batch']}: it does not say {' or '.join(lacking)}."
            yield Finding("list to mend", "", text)


def of_changes(works: Works, changed: pd.DataFrame) -> Iterator[Finding]:
    """Readings changed or taken away since they were logged, and no correction says why."""
    for problem in check_chain(log_path(works.folder)):
        yield Finding("changed since", "", f"The log of what was read is not whole: {problem}.")
    mine = changed[changed["kind"].isin(["changed", "removed"]) & (changed["explained"] == "")]
    told = [in_words(Change(*row)) for row in mine.itertuples(index=False, name=None)]
    yield from (Finding("changed since", "", f"{words}.") for words in told[:SHOWN])
    if len(told) > SHOWN:
        more = f"{len(told) - SHOWN} more readings changed or gone since they were logged."
        yield Finding("changed since", "", more)
