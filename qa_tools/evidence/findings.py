"""What to do first: findings ranked by what they cost if they wait, in plain words."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Final, NamedTuple

import pandas as pd

from qa_tools.books.own import grams, percent
from qa_tools.charts import ControlChart
from qa_tools.evidence.batches import Batch, BookCheck, floor_percent
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
    "could go either way",
    "held",
)
_SHOWN: Final = 4  # packages listed in one sentence


class Finding(NamedTuple):
    """One thing to do; `kind` is one of `RANKS`, in the order of urgency."""

    kind: str
    batch: str
    text: str


def rank(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """
    The findings, most urgent first, one line a batch: what is said of the same batch is joined.

    Examples
    --------
    >>> found = rank([Finding("drift", "A", "Mean low."), Finding("to pull", "A", "Pull 1.")])
    >>> found[0].kind, found[0].text
    ('to pull', 'A: Pull 1. Mean low.')
    """
    ordered = sorted(findings, key=lambda finding: RANKS.index(finding.kind))
    lines: dict[str, Finding] = {}
    for at, finding in enumerate(ordered):
        key = finding.batch or str(at)
        if key in lines:
            told = lines[key]
            lines[key] = told._replace(text=f"{told.text} {finding.text}")
        else:
            name = f"{finding.batch}: " if finding.batch else ""
            lines[key] = finding._replace(text=name + finding.text)
    return tuple(lines.values())


def of_batch(batch: Batch, as_of: pd.Timestamp) -> Iterator[Finding]:
    """What one batch asks for, each in a sentence that follows its name."""
    if batch.stage == "cut":
        yield from _drying(batch)
        return
    failed = [check for check in batch.books if check.outcome == "reject"]
    own = batch.own
    short = own is not None and own.finding == "short"
    surely = (
        short
        and own is not None
        and (own.n == own.lot_size or own.mean_upper < own.limits.declared_g)
    )
    where = _whereabouts(batch, as_of)

    def say(kind: str, text: str) -> Finding:
        return Finding(kind, batch.batch, text)

    for remark in batch.remarks:
        if remark.startswith("label "):
            yield say("not cleared", f"Not judged by one label: {remark.rstrip('.')}.")
    if not batch.books:
        yield say(
            "not cleared",
            f"Not judged: no label of {batch.name} in labels.csv applies, by product, dates and a "
            "market or book that is known.",
        )
    if batch.held and not (where and (failed or surely)):
        because = _why(batch, failed)
        yield say("held", f"On hold ({batch.held}){': ' + because if because else ''}.")
    elif where and (failed or surely):
        if batch.held:
            where += f", on hold ({batch.held})"
        yield say(
            "on sale and short",
            f"{batch.name}, {where}; {_why(batch, failed)}. Stop selling what is left and settle "
            "what to do about what went out.",
        )
    elif failed:
        due = f", due on sale {day_words(batch.sell_from)}" if pd.notna(batch.sell_from) else ""
        yield say("not cleared", f"Hold it ({batch.name}{due}); {_why(batch, failed)}.")
    elif short and own is not None:
        passed = ", ".join(check.book.name for check in batch.books if check.outcome == "accept")
        lead = f"Would pass inspection under {passed}, but averages" if passed else "Averages"
        then = "raise the fill" if surely else "which chance could explain: weigh more"
        yield say("averages short", f"{lead} {grams(-own.over)} short of {batch.declared}: {then}.")
    if len(batch.pull):
        more = (
            "." if batch.packages == len(batch.sold) else "; there may be more among the unweighed."
        )
        listed = f"{_packages(batch.pull)}, short by more than twice allowed"
        if where:
            yield say("on sale and short", f"{batch.name}, {where}: find and pull {listed}{more}")
        else:
            yield say("to pull", f"Before it ships, pull {listed}{more}")
    for doubt in batch.doubts:
        yield say("to answer", f"{doubt.rstrip('.')} (answer slip or real in settings.csv).")
    for reason, books in _by_reason(batch, "too few").items():
        yield say("too few weighed", f"Not cleared under {books}: {reason}.")
    for reason, books in _by_reason(batch, "unsettled").items():
        if "random draws" in reason:
            yield say(
                "could go either way", f"Under {books} an inspection could go either way: {reason}."
            )
        elif not batch.doubts:
            yield say("not cleared", f"Not settled under {books}: {reason}.")


def of_chart(title: str, chart: ControlChart, batches: Sequence[str]) -> Iterator[Finding]:
    """The week's points that fall outside what the process itself gives."""
    for row in chart.signals.to_dict("records"):
        if row["label"] in batches:
            yield Finding(
                "drift", str(row["label"]), f"Outside the chart of {title}: {row['reason']}."
            )


def _why(batch: Batch, failed: Sequence[BookCheck]) -> str:
    words = [batch.own.headline] if batch.own is not None and batch.own.finding == "short" else []
    if failed:
        reasons = list(dict.fromkeys(check.reason for check in failed))
        because = f": {reasons[0]}" if len(reasons) == 1 and not words else ""
        books = ", ".join(check.book.name for check in failed)
        words.append(f"would fail inspection under {books}{because}")
    return " and ".join(words)


def _whereabouts(batch: Batch, as_of: pd.Timestamp) -> str:
    on_sale = pd.notna(batch.sell_from) and batch.sell_from <= as_of
    words = [f"on sale since {day_words(batch.sell_from, year=False)}"] if on_sale else []
    if batch.sent:
        of = f" of {batch.packages}" if batch.packages else ""
        words.append(f"{batch.sent}{of} sent")
    return ", ".join(words)


def _packages(rows: pd.DataFrame) -> str:
    """Packages by loaf and slot where known, else by file and row."""
    words = []
    for row in rows.head(_SHOWN).to_dict("records"):
        at = f"row {row['row']} of {row['file']}"
        place = f"loaf {row['loaf']}" if row["loaf"] else ""
        place += f" slot {row['slot']}" if pd.notna(row["slot"]) else ""
        words.append(f"{place.strip() or at} ({row['net_g']:.1f} g)")
    more = f" and {len(rows) - _SHOWN} more" if len(rows) > _SHOWN else ""
    return ", ".join(words) + more


def _by_reason(batch: Batch, outcome: str) -> dict[str, str]:
    """The books with an outcome, together where they have the same reason."""
    found: dict[str, str] = {}
    for check in batch.books:
        if check.outcome == outcome:
            names = found.get(check.reason)
            found[check.reason] = f"{names}, {check.book.name}" if names else check.book.name
    return found


def _drying(batch: Batch) -> Iterator[Finding]:
    if not batch.may_lose or batch.typical_loss is None:
        return
    least = min(batch.may_lose, key=lambda room: room.mean)
    if batch.typical_loss > least.mean:
        yield Finding(
            "drying",
            batch.batch,
            f"Fresh: may lose {floor_percent(least.mean):g} % and still average "
            f"{least.limits.tested}, but {batch.name} usually loses "
            f"{percent(batch.typical_loss)}. Cut heavier.",
        )
