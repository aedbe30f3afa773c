"""Every batch in one line: our own check first, then each rule book."""

from __future__ import annotations

from qa_tools.evidence import tables
from qa_tools.evidence.pack.chances import of_next
from qa_tools.evidence.pack.scope import Scope
from qa_tools.evidence.pack.section import Gap, Section


def summary(scope: Scope) -> Section:
    """All batches: what we found of each, what an inspector would find, and the next one's odds."""
    judged = [one for one in scope.checks if one.stage != "cut"]
    outcomes = [check.outcome for one in judged for check in one.books]
    short = [one.batch for one in judged if one.own is not None and one.own.finding == "short"]
    gaps = [
        Gap(f"{name}: packed, and no weighing of it is in the files", "Weigh every batch you pack")
        for name in dict.fromkeys(scope.unweighed["batch"])
    ]
    gaps += [
        Gap(f"{one.batch}: {fault}", "Complete labels.csv")
        for one in judged
        for fault in one.faults
    ]
    return Section(
        "summary",
        "Batches at a glance",
        {
            "judged": len(judged),
            "fresh": len(scope.checks) - len(judged),
            "short": short,
            "tests": len(outcomes),
            "passed": outcomes.count("accept"),
            "failed": outcomes.count("reject"),
            "few": outcomes.count("too few"),
            "open": outcomes.count("unsettled"),
            "books": [
                f"{book.name}: {book.jurisdiction}" for book in tables.books_of(scope.checks)
            ],
        },
        {
            "batches": tables.batches(scope.checks),
            "fresh": tables.fresh(scope.checks),
            "next": of_next(scope),
            "pull": tables.pull(scope.checks),
        },
        tuple(gaps),
    )
