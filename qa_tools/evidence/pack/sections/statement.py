"""What the pack speaks of, what it rests on, and what it can show."""

from __future__ import annotations

import pandas as pd

from qa_tools.evidence.pack.scope import Scope
from qa_tools.evidence.pack.section import Gap, Section


def statement(scope: Scope) -> Section:
    """Scope and statement: period, products, batches, readings in and used, files read."""
    works, readings = scope.works, scope.works.weighings
    sources = readings.sources
    unread = works.unread.to_dict("records")
    questions = works.questions.to_dict("records")
    files = works.files.assign(
        readings=works.files["file"].map(sources.groupby("file")["rows"].sum().to_dict()),
        used=works.files["file"].map(sources.groupby("file")["used"].sum().to_dict()),
    )
    gaps = [
        Gap(f"{row['file']}: expected {row['expected']}; found {row['found']}", row["to_do"])
        for row in unread
    ]
    gaps += [Gap(f"{row['file']}: {row['question']}", row["how_to_answer"]) for row in questions]
    return Section(
        "statement",
        "What this is",
        {
            "title": scope.title,
            "period": scope.period,
            "as_of": scope.as_of,
            "products": _products(scope),
            "batches": scope.names,
            "asked": [*scope.products, *scope.batches],
            "rows": int(sources["rows"].sum()),
            "used": int(sources["used"].sum()),
            "not_used": int(sources["not_used"].sum()),
            "of_scope": len(scope.used),
            "lost": len(scope.not_used),
        },
        {
            "files": files.astype({"readings": "Int64", "used": "Int64"}),
        },
        tuple(gaps),
    )


def _products(scope: Scope) -> list[str]:
    """The products spoken of, each with its labels."""
    works = scope.works
    found = []
    for product in dict.fromkeys([*scope.keys["product"], *scope.unweighed["product"]]):
        name = works.products.loc[works.products["product"] == product, "name"]
        labels = works.labels[works.labels["product"] == product]
        declared = dict.fromkeys(
            f"{row['declared']}{f' ({market})' if (market := str(row['market'])) else ''}"
            for row in labels.to_dict("records")
        )
        called = str(name.iloc[0]) if len(name) and pd.notna(name.iloc[0]) else str(product)
        found.append(f"{called or product}: label {', '.join(declared) or 'not known'}")
    return found
