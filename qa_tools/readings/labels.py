"""Which labels of a product hold on a day, and how much they declare."""

from __future__ import annotations

from decimal import Decimal

import pandas as pd

from qa_tools.readings.quantities import Declaration


def labels_on(labels: pd.DataFrame, product: str, day: pd.Timestamp | None) -> pd.DataFrame:
    """
    The labels of a product that hold on a day.

    Parameters
    ----------
    labels : DataFrame
        As `Works.labels`: product, declared, ..., from, to.
    product : str
    day : Timestamp or None
        NaT or None where the day is not known: then the labels in use now (no `to`), else all.

    Returns
    -------
    DataFrame
        The rows that hold; ``from`` and ``to`` are both included.

    Examples
    --------
    >>> labels = pd.DataFrame({"product": ["oat", "oat"], "declared": ["125 g", "120 g"],
    ...     "from": pd.to_datetime(["2024-01-01", "2025-03-01"]),
    ...     "to": pd.to_datetime(["2025-02-28", None])})
    >>> labels_on(labels, "oat", pd.Timestamp("2025-02-28"))["declared"].tolist()
    ['125 g']
    """
    own = labels[labels["product"] == product]
    if day is None or pd.isna(day):
        now = own[own["to"].isna()]
        return now if len(now) else own
    date = pd.Timestamp(day).normalize()
    return own[
        (own["from"].isna() | (own["from"] <= date)) & (own["to"].isna() | (own["to"] >= date))
    ]


def declared_range(
    labels: pd.DataFrame, product: str, day: pd.Timestamp | None
) -> tuple[Declaration | None, Declaration | None]:
    """The smallest and the largest declaration on a day; None where there is no label."""
    rows = labels_on(labels, product, day)
    if not len(rows):
        # a day without a label is a fault of the list, no reason to leave a slip unseen
        rows = labels_on(labels, product, None)
    if not len(rows):
        # a label of no named product is one for all that have none of their own
        rows = labels[labels["product"] == ""]
    labels_then = [Declaration.parse(str(words)) for words in rows["declared"]]
    if not labels_then:
        return None, None
    return min(labels_then, key=grams_of), max(labels_then, key=grams_of)


def grams_of(declaration: Declaration) -> Decimal:
    """The grams of its first quantity: a second says the same in another unit, rounded."""
    return declaration.parts[0].grams
