"""The cutters in a review: one line each, and what there is to do to their wires."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from qa_tools.decisions.wires import Cutters, of_works
from qa_tools.decisions.wires.works import cut_loaves
from qa_tools.evidence.findings import Finding
from qa_tools.readings.works import Works

# What is worth a line in what to do first; the rest is a line further down.
TO_DO = ("look first", "retension", "move")


def cutters_of(works: Works, until: pd.Timestamp | None) -> Cutters:
    """
    Each cutter studied on the loaves cut up to the end of a day; none where no loaf was weighed.

    Examples
    --------
    >>> found = cutters_of(getfixture("demo_works"), pd.Timestamp("2026-09-20"))
    >>> [line.partition(" wanders")[0] for line in lines_of(found)]
    ['Cutter C1: retension: wire 5 from the stop (between bars 5 and 6)']
    """
    if not cut_loaves(works, until):
        return Cutters({}, {}, works.wires)
    return of_works(works, until=until)


def lines_of(cutters: Cutters) -> list[str]:
    """One line a cutter, without a full stop."""
    return [*(one.headline for one in cutters.studied.values()), *cutters.refusals]


def of_cutters(cutters: Cutters) -> Iterator[Finding]:
    """What there is to do to wires."""
    for one in cutters.studied.values():
        for row in one.to_do[one.to_do["advice"].isin(TO_DO)].itertuples():
            yield Finding("wire", "", f"{one.title}: {row.advice}: {row.reason}.")
