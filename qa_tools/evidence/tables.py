"""The tables of a weekly review, in the words people use."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd

from qa_tools.books.limits import below
from qa_tools.books.official import TestRow
from qa_tools.books.rulebook import RuleBook
from qa_tools.evidence.batches import PULL, Batch, floor_percent, remembered

OUTCOME_WORDS: Final[dict[str, str]] = {
    "accept": "would pass",
    "reject": "would fail",
    "too few": "too few weighed",
    "unsettled": "not settled",
}
# Of two labels under one book the table shows what is worse.
WORST_FIRST: Final = ("reject", "unsettled", "too few", "accept")
FINDING_WORDS: Final[dict[str, str]] = {
    "short": "averages short",
    "holds": "averages its label",
    "not shown": "not shown to hold",
}
NOT_EVERY: Final = "holds on average, not every package"


def batches(checks: Sequence[Batch]) -> pd.DataFrame:
    """One row a batch: our own check first, then each book."""
    judged = [batch for batch in checks if batch.stage != "cut"]
    books = sorted({check.book.name for batch in judged for check in batch.books})
    rows = []
    for batch in judged:
        row = {"batch": batch.batch, "product": f"{batch.name}, {batch.declared}".strip(", ")}
        rows.append(row | _own_words(batch) | {book: _outcome_words(batch, book) for book in books})
    return pd.DataFrame(rows)


def _own_words(batch: Batch) -> dict[str, object]:
    """Our own check of a batch as columns for people."""
    own = batch.own
    if own is None:
        return {}
    declared = own.limits.declared_g
    if np.isnan(own.mean_lower):
        few = "of those weighed" if own.handled else "too few to say more"
        interval = f" ({'packaging too little known' if np.isnan(own.tare_sd) else few})"
    elif own.n != own.lot_size or own.mean_lower != own.mean_upper:
        low, high = signed(own.mean_lower - declared, 1), signed(own.mean_upper - declared, 1)
        interval = f" ({low} to {high})"
    else:
        interval = " (all weighed)"
    twice = f" ({own.short_twice} by more than twice)" if own.short_twice else ""
    word = FINDING_WORDS[own.finding]
    if own.finding == "not shown" and own.short_twice:
        word = NOT_EVERY
    return {
        "weighed": f"{own.n} of {batch.packages or '?'}",
        "our own check": word,
        "average over the label, g": f"{signed(own.over, 2)}{interval}",
        "short by more than allowed": f"{own.short}{twice}",
        "lightest, g": round(own.lightest, 1),
    }


def signed(amount: float, places: int) -> str:
    """
    An amount with its sign; nothing is never minus nothing.

    Examples
    --------
    >>> signed(-0.001, 2), signed(0.5, 1)
    ('0.00', '+0.5')
    """
    text = f"{amount:+.{places}f}"
    return text[1:] if float(text) == 0 else text


def _outcome_words(batch: Batch, book: str) -> str:
    mine = [check for check in batch.books if check.book.name == book]
    if not mine:
        return ""
    check = min(mine, key=lambda one: WORST_FIRST.index(one.outcome))
    words = OUTCOME_WORDS[check.outcome]
    if check.note.startswith("as packed"):
        words += " as packed"
    if check.outcome == "accept" and check.verdict is not None and check.verdict.pull:
        words += f", pull {len(check.verdict.pull)}"
    return f"{words} (from memory)" if remembered(check) else words


def fresh(checks: Sequence[Batch]) -> pd.DataFrame:
    """One row a fresh batch and kind of label: what it may lose and still hold, in per cent."""
    rows: dict[tuple[object, ...], dict[str, Any]] = {}
    for batch in checks:
        for room in batch.may_lose:
            told = (str(room.limits.tested), _room(room.mean), _room(room.lightest))
            row = rows.setdefault(
                (batch.batch, *told),
                {
                    "batch": batch.batch,
                    "product": batch.name,
                    "weighed": len(batch.sold),
                    "mean, g": round(float(batch.sold["net_g"].mean()), 1),
                    "may lose, %": told[1],
                    "and still average": told[0],
                    "may lose before the lightest is short by more than allowed, %": told[2],
                    "usually loses, %": (
                        "" if batch.typical_loss is None else f"{100 * batch.typical_loss:g}"
                    ),
                    "under": "",
                },
            )
            figure = room.limits.figure
            memory = figure is not None and figure.grade == "from memory"
            name = room.limits.book.name + (" (figure from memory)" if memory else "")
            row["under"] += f"{', ' if row['under'] else ''}{name}"
    return pd.DataFrame(list(rows.values()))


def _room(share: float) -> float | str:
    return floor_percent(share) if share >= 0 else "already short"


def tests(checks: Sequence[Batch], *, words: bool = False) -> pd.DataFrame:
    """Every official test behind the batches: measured, limit (or both in words), clause."""
    rows: list[dict[str, Any]] = []
    for batch in checks:
        for check in batch.books:
            head = {"batch": batch.batch, "book": check.book.name, "label": str(check.label)}
            head["figures"] = "from memory" if remembered(check) else ""
            if check.verdict is None or not check.verdict.rows:
                rows.append(head | {"test": check.reason, "outcome": check.outcome})
                continue
            for test in check.verdict.rows:
                told = {"measured": test.measured_words, "limit": test.limit_words, "unit": ""}
                rows.append(head | test._asdict() | (told if words else {}))
    columns = ["batch", "book", "label", *TestRow._fields, "figures"]
    return (
        pd.DataFrame(rows, columns=columns)
        .astype({"unit": object, "clause": object})
        .fillna({"unit": "", "clause": ""})
    )


def pull(checks: Sequence[Batch]) -> pd.DataFrame:
    """The weighed packages that may not be sold: batch, loaf, slot, weight, file and row."""
    parts = [batch.pull for batch in checks if len(batch.pull)]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=PULL)


def giveaway(
    checks: Sequence[Batch], costs: Mapping[str, float], currency: str
) -> pd.DataFrame:  # fmt: skip
    """Mean net above declared of packages sold, in grams, kilograms and money, by batch."""
    rows = []
    for batch in checks:
        own = batch.own
        if own is None or (batch.lot.settled and batch.lot.away):
            continue  # what was reworked or scrapped is given to nobody
        kilos = max(own.over, 0.0) * batch.packages / 1000 if batch.packages else np.nan
        known = not np.isnan(own.mean_lower) and own.mean_lower != own.mean_upper
        declared = own.limits.declared_g
        span = f"{signed(own.mean_lower - declared, 1)} to {signed(own.mean_upper - declared, 1)}"
        rows.append(
            {
                "batch": batch.batch,
                "product": batch.name,
                "declared": batch.declared,
                "over the label, g a package": round(own.over, 2) + 0.0,
                "likely between, g": span if known else "",
                "packages": batch.packages or "",
                "given away, kg": round(kilos, 2),
                f"given away, {currency}": round(kilos * costs.get(batch.product, np.nan), 2),
            }
        )
    return pd.DataFrame(rows)


def books_of(checks: Sequence[Batch]) -> list[RuleBook]:
    """The rule books used, by name."""
    used = {check.book.name: check.book for batch in checks for check in batch.books}
    used |= {room.limits.book.name: room.limits.book for b in checks for room in b.may_lose}
    return [book for _, book in sorted(used.items())]


def rules(checks: Sequence[Batch]) -> pd.DataFrame:
    """The rule books used: edition, when each judges, and what it says of drying."""
    rows = [
        {
            "book": book.name,
            "title": book.title,
            "edition": book.edition,
            "judged at": book.judged_at,
            "applies to": book.applies_to,
            "on drying": book.drying,
            "not in hand": "; ".join(book.missing),
            "decided by": book.authority,
        }
        for book in books_of(checks)
    ]
    return pd.DataFrame(rows)


def from_memory(checks: Sequence[Batch]) -> pd.DataFrame:
    """Figures behind these verdicts that nobody has compared with the official table yet."""
    figures = {
        figure.name: figure
        for batch in checks
        for check in batch.books
        if check.verdict is not None
        for figure in check.verdict.from_memory
    }
    for batch in checks:
        figures |= {
            room.limits.figure.name: room.limits.figure
            for room in batch.may_lose
            if room.limits.figure is not None and room.limits.figure.grade == "from memory"
        }
    rows = [
        {"figure": f.name, "as remembered": f.value, "compare with": f.official}
        for _, f in sorted(figures.items())
    ]
    return pd.DataFrame(rows, columns=["figure", "as remembered", "compare with"])


def line(batch: Batch) -> dict[str, Any]:
    """What the picture of a week draws of one lot: weights, places, limits and the mean."""
    own = batch.own
    assert own is not None
    limit, tolerable = own.limits, own.limits.tolerance_g is not None
    net = batch.sold["net_g"].to_numpy(float)
    where = batch.sold[["loaf", "slot", "row", "file"]].itertuples(index=False)
    return {
        "batch": batch.batch,
        "about": f"{batch.name}, {batch.declared}",
        "net_g": net.tolist(),
        "places": [
            f"loaf {loaf} slot {slot}" if loaf else f"row {row} of {file}"
            for loaf, slot, row, file in where
        ],
        "light": below(net, limit.short_g).tolist(),
        "declared_g": limit.declared_g,
        "short_g": limit.short_g if tolerable else None,
        "twice_g": limit.twice_g if np.isfinite(limit.twice_g) else None,
        "mean": own.mean,
        "lower": own.mean_lower,
        "upper": own.mean_upper,
        "short": own.finding == "short",
        "headline": own.headline,
    }


def records(table: pd.DataFrame) -> list[dict[str, Any]]:
    """A table as plain records for JSON: missing as null, dates as text, floats rounded."""

    def plain(value: Any) -> Any:
        if isinstance(value, pd.Timestamp):
            return value.isoformat()
        if not isinstance(value, str) and pd.isna(value):
            return None
        if isinstance(value, float | np.floating):
            return round(float(value), 4) + 0.0
        return int(value) if isinstance(value, np.integer) else value

    return [
        {str(name): plain(value) for name, value in row.items()} for row in table.to_dict("records")
    ]
