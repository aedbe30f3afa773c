"""What to do first: findings ranked by what they cost if they wait, in plain words."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Final, NamedTuple

import pandas as pd

from qa_tools.books.own import grams
from qa_tools.charts import ControlChart
from qa_tools.evidence.batches import Batch, BookCheck
from qa_tools.evidence.week import day_words

RANKS: Final = (
    "files not read",
    "on sale and short",
    "not cleared",
    "to pull",
    "to answer",
    "averages short",
    "too few weighed",
    "drying",
    "drift",
    "held",
)
_SHOWN: Final = 4  # packages or names listed in one sentence


class Finding(NamedTuple):
    """One thing to do; `kind` is one of `RANKS`, in the order of urgency."""

    kind: str
    batch: str
    text: str


def rank(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """The findings, most urgent first, each batch in the order it came."""
    return tuple(sorted(findings, key=lambda finding: RANKS.index(finding.kind)))


def of_batch(batch: Batch, as_of: pd.Timestamp) -> Iterator[Finding]:
    """What one batch asks for."""
    name = f"{batch.batch or 'no batch'} ({batch.name})"
    if batch.stage == "cut":
        yield from _drying(batch, name)
        return
    failed = [check for check in batch.books if check.outcome == "reject"]
    short = batch.own is not None and batch.own.finding == "short"
    where = _whereabouts(batch, as_of)
    if batch.held:
        yield Finding("held", batch.batch, f"{name} is on hold ({batch.held}).")
    elif where and (failed or short):
        yield Finding(
            "on sale and short",
            batch.batch,
            f"{name} is {where} and {_why(batch, failed)}. Stop selling what is left and settle "
            "what to do about what went out.",
        )
    elif failed:
        due = f", due on sale {day_words(batch.sell_from)}" if pd.notna(batch.sell_from) else ""
        yield Finding("not cleared", batch.batch, f"Hold {name}{due}: {_why(batch, failed)}.")
    elif short and batch.own is not None:
        passes = any(check.outcome == "accept" for check in batch.books)
        lead = "would pass inspection, but" if passes else "is not cleared yet and"
        yield Finding(
            "averages short",
            batch.batch,
            f"{name} {lead} averages {grams(-batch.own.over)} short of {batch.declared}: "
            "raise the fill.",
        )
    if len(batch.pull):
        so = f"is {where}; find and pull" if where else "may ship once you pull"
        kind = "on sale and short" if where else "to pull"
        yield Finding(
            kind,
            batch.batch,
            f"{name} {so} {_packages(batch.pull)}: short by more than twice allowed"
            + ("." if batch.packages == len(batch.sold) else "; more may be among the unweighed."),
        )
    for doubt in batch.doubts:
        yield Finding("to answer", batch.batch, f"{batch.batch}: {doubt}")
    yield from _unsettled(batch, name)


def of_chart(title: str, chart: ControlChart, batches: Sequence[str]) -> Iterator[Finding]:
    """The week's points that fall outside what the process itself gives."""
    for row in chart.signals.to_dict("records"):
        if row["label"] in batches:
            yield Finding(
                "drift", str(row["label"]), f"{title}, batch {row['label']}: {row['reason']}."
            )


def _why(batch: Batch, failed: Sequence[BookCheck]) -> str:
    words = [batch.own.headline] if batch.own is not None and batch.own.finding == "short" else []
    if failed:
        books = ", ".join(check.book.name for check in failed)
        reasons = list(dict.fromkeys(check.reason for check in failed))
        because = f": {reasons[0]}" if len(reasons) == 1 and not words else ""
        words.append(f"would fail inspection under {books}{because}")
    return " and ".join(words)


def _whereabouts(batch: Batch, as_of: pd.Timestamp) -> str:
    on_sale = pd.notna(batch.sell_from) and batch.sell_from <= as_of
    words = [f"on sale since {day_words(batch.sell_from, year=False)}"] if on_sale else []
    if batch.sent:
        of = f" of {batch.packages}" if batch.packages else ""
        words.append(f"{'' if words else 'out, '}{batch.sent}{of} sent")
    return ", ".join(words)


def _packages(rows: pd.DataFrame) -> str:
    """Packages by loaf and slot where known, else by file and row."""
    words = []
    for row in rows.head(_SHOWN).to_dict("records"):
        place = f"loaf {row['loaf']}" if row["loaf"] else ""
        place += f" slot {row['slot']}" if pd.notna(row["slot"]) else ""
        words.append(
            f"{place or 'row ' + str(row['row']) + ' of ' + row['file']} ({row['net_g']:.1f} g)"
        )
    more = f" and {len(rows) - _SHOWN} more" if len(rows) > _SHOWN else ""
    return ", ".join(word.strip() for word in words) + more


def _unsettled(batch: Batch, name: str) -> Iterator[Finding]:
    few = [check for check in batch.books if check.outcome == "too few"]
    if few:
        words = "; ".join(
            f"{', '.join(books)}: {reason}" for reason, books in _by_reason(few).items()
        )
        yield Finding("too few weighed", batch.batch, f"{name} is not cleared: {words}.")
    open_ = [check for check in batch.books if check.outcome == "unsettled"]
    if open_ and not batch.doubts:
        words = "; ".join(f"{', '.join(books)}: {why}" for why, books in _by_reason(open_).items())
        yield Finding("not cleared", batch.batch, f"{name} is not settled: {words}.")


def _by_reason(checks: Sequence[BookCheck]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for check in checks:
        found.setdefault(check.reason, []).append(check.book.name)
    return found


def _drying(batch: Batch, name: str) -> Iterator[Finding]:
    if not batch.may_lose or batch.typical_loss is None:
        return
    least = min(batch.may_lose, key=lambda room: room.mean)
    if batch.typical_loss > least.mean:
        yield Finding(
            "drying",
            batch.batch,
            f"{name}, fresh: may lose {least.mean:.1%} and still average {least.limits.tested}; "
            f"it usually loses {batch.typical_loss:.1%}. Cut heavier.",
        )
