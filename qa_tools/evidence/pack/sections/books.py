"""The rule books applied: edition, when each judges, and how sure each figure is."""

from __future__ import annotations

import pandas as pd

from qa_tools.evidence import tables
from qa_tools.evidence.pack.scope import Scope
from qa_tools.evidence.pack.section import Gap, Section


def books(scope: Scope) -> Section:
    """Every book used, and every figure a verdict here rests on, with its clause and grade."""
    figures = {
        (check.book.name, figure.name): figure
        for batch in scope.checks
        for check in batch.books
        if check.verdict is not None
        for figure in check.verdict.figures
    }
    rows = [
        {
            "book": book,
            "figure": figure.name,
            "value": figure.value,
            "source": figure.clause,
            "grade": figure.grade,
            "official": figure.official,
        }
        for (book, _), figure in sorted(figures.items())
    ]
    table = pd.DataFrame(rows, columns=["book", "figure", "value", "source", "grade", "official"])
    memory = table[table["grade"] == "from memory"]
    gaps = [
        Gap(f"{row['book']}: {row['figure']} is from memory",
            f"Compare it with {row['official']}, and record it in settings.csv as "
            f"“checked {row['figure']}”")
        for row in memory.to_dict("records")
    ]  # fmt: skip
    return Section(
        "books",
        "Rule books, and how sure their figures are",
        {"books": tables.rules(scope.checks).to_dict("records")},
        {"figures": table},
        tuple(gaps),
    )
