"""What to do first: findings ranked by what they cost if they wait, in plain words."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Final, NamedTuple

import pandas as pd

from qa_tools.books.official import ALREADY
from qa_tools.books.own import grams, percent
from qa_tools.charts import ControlChart
from qa_tools.evidence.batches import Batch, BookCheck, floor_percent, remembered
from qa_tools.readings.dates import day_words

RANKS: Final = (
    "on sale and short",
    "on hold, yet sent",
    "out and not cleared",
    "not cleared",
    "to pull",
    "changed since",
    "files not read",
    "to answer",
    "not weighed",
    "averages short",
    "too few weighed",
    "wire",
    "list to mend",
    "not used",
    "drying",
    "unlike the others",
    "could go either way",
    "held",
)
# What to look at first where a batch mean, or the spread within a batch, is out: common practice,
# no published source.
LOOK: Final[dict[str, tuple[str, str]]] = {
    "cut": ("the pour and the spacing of the wires", "the wires: one slack or out of place"),
    "cured": ("how it was cut and how it dried", "how it was cut, and whether it dries evenly"),
    "packed": ("what it weighed before, the scale and the tare", "its loaves or trays, one by one"),
    "filled": ("how it was filled, the scale and the tare", "who filled it, and with what"),
    "": ("what was different: people, tools, scale, tare", "its loaves or trays, one by one"),
}
HALF: Final = 0.5  # below, an inspection is more likely to fail than to pass
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
    >>> found = rank([Finding("drying", "A", "Mean low."), Finding("to pull", "A", "Pull 1.")])
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
    for kind, text in _of_packed(batch, as_of) if batch.stage != "cut" else _of_fresh(batch):
        yield Finding(kind, batch.batch, text)


def of_chart(
    title: str, chart: ControlChart, batches: Sequence[str], stage: str = ""
) -> Iterator[Finding]:
    """
    The week's batches outside what the process itself gives: since when, and what to look at.

    Batch means to either side; of the spread within batches only more than usual, and nothing of
    the steps from one batch to the next, which say again what the means say.
    """
    of_means, of_spread = LOOK.get(stage, LOOK[""])
    unlike = f"Unlike the other batches of {title}"
    yield from _outside(unlike, chart, chart.signals, batches, of_means)
    if chart.spread is not None and chart.components is not None:
        signals = chart.spread.signals
        wide = signals[signals["value"] > signals["centre"]]
        uneven = f"Its packages differ more than those of the other batches of {title}"
        yield from _outside(uneven, chart.spread, wide, batches, of_spread)


def _outside(
    words: str, chart: ControlChart, signals: pd.DataFrame, batches: Sequence[str], look: str
) -> Iterator[Finding]:
    labels = chart.points["label"].tolist()
    side = dict(zip(signals["label"], signals["value"] > signals["centre"], strict=True))
    for row in signals[signals["label"].isin(batches)].to_dict("records"):
        label, measured = str(row["label"]), row["reason"].partition(": ")[0]
        first = at = labels.index(label)
        while first and side.get(labels[first - 1]) == side[label]:
            first -= 1
        since = f", as were all {at - first + 1} since {labels[first]}" if first < at - 1 else ""
        since = f", as was that of {labels[first]} before it" if first == at - 1 else since
        few = f" (limits from only {chart.behind} batches)" if chart.few else ""
        text = f"{words}: {measured}{since}{few}. Look first at {look}."
        yield Finding("unlike the others", label, text)


def _of_packed(batch: Batch, as_of: pd.Timestamp) -> Iterator[tuple[str, str]]:
    failed = [check for check in batch.books if check.outcome == "reject"]
    for fault in batch.faults:
        by = "by one label" if batch.books else batch.name
        yield "not cleared", f"Not judged ({by}): {fault}."
    yield from _of_average(batch, failed, as_of)
    yield from _of_pull(batch, as_of)
    where = _whereabouts(batch, as_of)
    open_ = [check for check in batch.books if check.outcome in ("too few", "unsettled")]
    if where and batch.pull.empty and not failed and (open_ or batch.doubts or batch.faults):
        yield "out and not cleared", f"{batch.name}, {where}."
    for doubt in batch.doubts:
        yield "to answer", _sentence(doubt)
    if batch.unweighed:
        yield "not weighed", _sentence(batch.unweighed)
    if batch.dried:
        yield "drying", _sentence(batch.dried)
    for text in batch.mend:
        yield "list to mend", _sentence(text)
    if batch.planned:
        yield "too few weighed", _sentence(batch.planned)
    for reason, books in _by_reason(batch, "too few").items():
        kind = "not cleared" if ALREADY in reason else "too few weighed"
        hold = "Hold it; not cleared" if kind == "not cleared" else "Not cleared"
        yield kind, f"{hold} under {books}: {reason}."
    for reason, books in _by_reason(batch, "unsettled").items():
        shares = [check.verdict.draws.accept for check in open_ if check.reason == reason
                  and check.verdict is not None and check.verdict.draws is not None]  # fmt: skip
        if shares and not batch.doubts:
            short = batch.own.short if batch.own is not None else 0
            many = f"{short} of {len(batch.sold)} short by more than allowed. " if short else ""
            kind = "could go either way" if min(shares) >= HALF else "not cleared"
            steps = ["hold it"] if kind == "not cleared" else []
            steps += ["weigh the rest"] if batch.packages != len(batch.sold) else []
            then = f" ({', '.join(steps)})" if steps else ""
            yield kind, f"{many}Under {books} an inspection could go either way{then}: {reason}."
        elif "on the shelf" in reason:
            yield "on sale and short", f"{batch.name}: {reason} (judged there by {books})."
        elif not batch.doubts:
            yield "not cleared", f"Not settled under {books}: {reason}."


def _of_average(
    batch: Batch, failed: Sequence[BookCheck], as_of: pd.Timestamp
) -> Iterator[tuple[str, str]]:
    """A batch that fails, averages short, or is on hold: one line, by where the goods are."""
    own, lot = batch.own, batch.lot
    short = own is not None and own.finding == "short"
    surely = own is not None and short and _surely_short(batch)
    bad = bool(failed) or surely
    where = _whereabouts(batch, as_of)
    why = _why(batch, failed)
    if bad and lot.settled and lot.away:
        yield (
            "held",
            f"{_first_up(lot.settled)}; {why}. Weigh what was made of it before it is sold.",
        )
    elif bad and where:
        held = f", on hold{lot.held_for} ({lot.held})" if lot.held else ""
        yield (
            "on sale and short",
            f"{batch.name}, {where}{held}; {why}. Stop selling what is left and settle what to do "
            "about what went out.",
        )
    elif lot.held and lot.sent:
        yield "on hold, yet sent", f"{batch.name}, on hold{lot.held_for} ({lot.held}), and {where}."
    elif lot.held:
        yield "held", f"On hold{lot.held_for} ({lot.held}){': ' + why if why else ''}."
    elif failed and lot.settled:
        yield "not cleared", f"{batch.name}, {lot.settled}, yet it {why}."
    elif failed:
        due = f", due on sale {day_words(lot.sell_from)}" if pd.notna(lot.sell_from) else ""
        yield "not cleared", f"Hold it ({batch.name}{due}); {why}."
    elif short and own is not None:
        passed = _names(check for check in batch.books if check.outcome == "accept")
        lead = f"Would pass inspection under {passed}, but averages" if passed else "Averages"
        then = "raise the fill" + ("" if surely else " or weigh more, for chance could explain it")
        yield "averages short", f"{lead} {grams(-own.over)} short of {batch.declared}: {then}."


def _surely_short(batch: Batch) -> bool:
    own = batch.own
    return own is not None and own.mean_upper < own.limits.declared_g


def _of_pull(batch: Batch, as_of: pd.Timestamp) -> Iterator[tuple[str, str]]:
    if batch.pull.empty or (batch.lot.settled and batch.lot.away):
        return
    all_weighed = batch.packages == len(batch.sold)
    more = "." if all_weighed else "; there may be more among the unweighed."
    listed = f"{_packages(batch.pull)}, short by more than twice allowed"
    where = _whereabouts(batch, as_of)
    if where:
        yield "on sale and short", f"{batch.name}, {where}: find and pull {listed}{more}"
    else:
        yield "to pull", f"Before it ships, pull {listed}{more}"


def _why(batch: Batch, failed: Sequence[BookCheck]) -> str:
    words = [batch.own.headline] if batch.own is not None and batch.own.finding == "short" else []
    if failed:
        reasons = list(dict.fromkeys(check.reason for check in failed))
        because = f": {reasons[0]}" if len(reasons) == 1 and not words else ""
        shelf = dict.fromkeys(c.note for c in failed if c.note.startswith("by the"))
        by = f" ({', '.join(shelf)})" if shelf else ""
        words.append(f"would fail inspection under {_names(failed)}{by}{because}")
    return " and ".join(words)


def _names(checks: Iterable[BookCheck]) -> str:
    """The books, each with a word where its answer rests on a remembered figure."""
    return ", ".join(
        dict.fromkeys(
            f"{check.book.name}{' (from memory)' if remembered(check) else ''}" for check in checks
        )
    )


def _whereabouts(batch: Batch, as_of: pd.Timestamp) -> str:
    lot = batch.lot
    on_sale = pd.notna(lot.sell_from) and lot.sell_from <= as_of
    words = [f"on sale since {day_words(lot.sell_from, year=False)}"] if on_sale else []
    if lot.sent:
        of = f" of {batch.packages}" if batch.packages else ""
        words.append(f"{lot.sent}{of} sent")
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
    reasons = dict.fromkeys(check.reason for check in batch.books if check.outcome == outcome)
    return {
        reason: _names(check for check in batch.books
                       if (check.outcome, check.reason) == (outcome, reason))
        for reason in reasons
    }  # fmt: skip


def _of_fresh(batch: Batch) -> Iterator[tuple[str, str]]:
    """A fresh batch that dries under its label, or whose lightest bar will, by the usual loss."""
    for doubt in batch.doubts:
        yield "to answer", _sentence(doubt)
    if not batch.may_lose:
        return
    least = min(batch.may_lose, key=lambda room: room.mean)
    light = min(batch.may_lose, key=lambda room: room.lightest)
    usual = batch.typical_loss or 0.0
    loses = f"{batch.name} usually loses {percent(usual)}" if usual else "and it goes on drying"
    if least.mean < 0:
        short = float(least.limits.declared_g - batch.sold["net_g"].mean())
        yield "drying", f"Fresh, and already {grams(short)} short of {least.limits.tested}."
    elif usual > least.mean:
        yield (
            "drying",
            f"Fresh: may lose {floor_percent(least.mean):g} % and still average "
            f"{least.limits.tested}, but {loses}. Cut heavier.",
        )
    elif usual > light.lightest:
        room = floor_percent(light.lightest)
        may = f"may lose only {room:g} %" if room > 0 else "may lose nothing"
        yield (
            "drying",
            f"Fresh: the lightest bar {may} before it is short by more than allowed under "
            f"{light.limits.book.name}, and {loses}: weigh it again before packing.",
        )


def _sentence(text: str) -> str:
    return f"{_first_up(text).rstrip('.')}."


def _first_up(text: str) -> str:
    return text[:1].upper() + text[1:]
