"""How likely an inspector is to reject: a batch as it was weighed, and the next one like these."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd

from qa_tools.books.chance import chance_of_rejection
from qa_tools.evidence.batches import Batch, BookCheck
from qa_tools.evidence.pack.scope import Scope

FEWEST = 10  # weighings from which a mean and a spread are taken to speak for a batch


def of_batch(batch: Batch, check: BookCheck) -> str:
    """
    The chance that an inspector's sample fails one batch under one book, in words; "" unknown.

    Were all its packages as those weighed: by the mean and the spread of these, whose own doubt is
    not in it.
    """
    net = batch.sold.loc[batch.sold["doubt"] == "", "net_g"].to_numpy(float)
    if check.verdict is None or not batch.packages or len(net) < FEWEST or np.ptp(net) == 0:
        return ""
    try:
        chance = chance_of_rejection(
            float(net.mean()), float(net.std(ddof=1)), check.label, check.book,
            lot_size=batch.packages,
        )  # fmt: skip
    except ValueError:  # a plan no chance is worked out for; its verdict says what there is
        return ""
    return in_words(chance)


def in_words(chance: float) -> str:
    """
    A chance as a page says it.

    Examples
    --------
    >>> in_words(0.0004), in_words(0.2345), in_words(0.999)
    ('under 1 %', '23 %', 'over 99 %')
    """
    if chance < 0.01:
        return "under 1 %"
    return "over 99 %" if chance > 0.99 else f"{100 * chance:.0f} %"


def of_next(scope: Scope) -> pd.DataFrame:
    """
    The chance that the next batch is rejected, by product and book, from how batches differ.

    Columns product, batches, mean_g, sd_within_g, sd_between_g, book, label, lot_size, chance. Of
    products with a chart of batch means; lots of the usual size.
    """
    rows = list(_next(scope))
    columns = ["product", "batches", "mean_g", "sd_within_g", "sd_between_g", "book", "label",
               "lot_size", "chance"]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def _next(scope: Scope) -> Iterator[dict[str, Any]]:
    for drawn in scope.charts:
        spread = drawn.chart.components
        mine = [
            one
            for one in scope.checks
            if (one.product, one.stage) == (drawn.product, drawn.stage) and one.packages
        ]
        if spread is None or not mine or not mine[-1].books:
            continue
        size = int(np.median([one.packages for one in mine if one.packages]))
        for check in mine[-1].books:
            try:
                chance = chance_of_rejection(
                    spread.mean, spread.within, check.label, check.book,
                    lot_size=size, sd_between=spread.between,
                )  # fmt: skip
            except ValueError:
                continue
            yield {
                "product": mine[-1].name,
                "batches": len(drawn.chart.points),
                "mean_g": round(spread.mean, 2),
                "sd_within_g": round(spread.within, 2),
                "sd_between_g": round(spread.between, 2),
                "book": check.book.name,
                "label": str(check.label),
                "lot_size": size,
                "chance": in_words(chance),
            }
