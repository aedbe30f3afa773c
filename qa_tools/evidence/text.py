"""The weekly review as readable text for a terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from qa_tools.books.official import PLAIN
from qa_tools.evidence.batches import STAGE_WORDS, Batch, BookCheck, floor_percent, remembered

if TYPE_CHECKING:
    import pandas as pd

    from qa_tools.evidence.charted import WeekChart
    from qa_tools.evidence.review import Review

NOT_USED: Final = 20  # readings not used that a terminal lists


def as_text(review: Review) -> str:
    """What to do first, then every lot with both answers, then what it rests on."""
    from qa_tools.evidence.review import CAUTION, MOST

    lines = [review.title, *([f"({review.later})"] if review.later else []), ""]
    whole, cells = review.unread[review.unread["row"] == 0], review.unread[review.unread["row"] > 0]
    lines += [f"Not read: {words}" for words in _unread(whole)]
    lines += [f"{i}. {finding.text}" for i, finding in enumerate(review.findings[:MOST], 1)]
    if not review.findings:
        lines.append(review.show("to_do").nothing)
    hidden = review.findings[MOST:]
    lines += [f"and {len(hidden)} more, at the end"] if hidden else []
    for batch in review.checks:
        lines += ["", *batch_lines(batch)]
    if review.charts:
        lines += ["", "Charts of batch means:", *map(_chart_words, review.charts)]
    if review.wires:
        lines += ["", "Cutter wires:", *(f"  {words}." for words in review.wires)]
    if len(cells):
        lines += ["", "Cells of lists to mend:", *(f"  {words}" for words in _unread(cells))]
    if hidden:
        lines += ["", "More to do:", *(f"  {finding.text}" for finding in hidden)]
    if not review.from_memory.empty:
        lines += ["", "Figures from memory, to compare with the official table:"]
        told = review.from_memory.itertuples(index=False, name=None)
        lines += [f"  {name}: {value} ({official})" for name, value, official in told]
    lines += ["", *_not_used(review)]
    for row in review.files[review.files["columns not used"] != ""].to_dict("records"):
        lines.append(f"  {row['file']}: no use is made of the columns {row['columns not used']}")
    books = "; ".join(f"{row['book']}, {row['edition']}" for row in review.rules.to_dict("records"))
    lines += ["", f"Rule books: {books or 'none'}. qa_tools {review.version}.", CAUTION]
    return "\n".join(lines)


def _chart_words(drawn: WeekChart) -> str:
    return f"  {drawn.headline}. {drawn.chart.note}"


def _unread(rows: pd.DataFrame) -> list[str]:
    return [f"{row['file']}: {row['found']}. {row['to_do']}" for row in rows.to_dict("records")]


def batch_lines(batch: Batch) -> list[str]:
    """One lot as readable text, our own check leading."""
    size = f" of {batch.packages}" if batch.packages and batch.stage != "cut" else ""
    stage = STAGE_WORDS.get(batch.stage, batch.stage)
    lines = [f"{batch.batch}  {batch.name}, {len(batch.sold)}{size} weighed {stage}".rstrip()]
    if batch.own is not None:
        lines += [f"  {line.strip()}" for line in str(batch.own).splitlines()]
    books = [check.book.name for check in batch.books]
    for check in batch.books:
        label = f", label {check.label}" if books.count(check.book.name) > 1 else ""
        lines.append(f"  {check.book.name}{label}: {_book_words(check)}")
    for room in batch.may_lose:
        may = f"may lose up to {floor_percent(room.mean):.1f} % and still average"
        may = "already short of" if room.mean < 0 else may
        lines.append(f"  {room.limits.book.name}: {may} {room.limits.tested}")
    return lines + [
        f"  Note: {remark}" for remark in (*batch.faults, *batch.of_books, *batch.remarks)
    ]


def _book_words(check: BookCheck) -> str:
    words = f"{PLAIN[check.outcome]}: {check.reason}"
    if check.verdict is not None and check.reason == check.verdict.reason:
        words = check.verdict.headline
    note = f"; {check.note}" if check.note else ""
    memory = " (rests on figures from memory, listed below)" if remembered(check) else ""
    return words + note + memory


def _not_used(review: Review) -> list[str]:
    lost = review.not_used
    before = f", {review.not_used_before} in other weeks" if review.not_used_before else ""
    of = " of the week" if review.week is not None else ""
    lines = [f"{review.used} readings used in all; not used: {len(lost)}{of}{before}."]
    for row in lost.head(NOT_USED).to_dict("records"):
        hint = f" ({row['suggestion']})" if row["suggestion"] else ""
        lines.append(f"  row {row['row']} of {row['file']}: {row['reason']}{hint}")
    hidden = len(lost) - NOT_USED
    return lines + ([f"  and {hidden} more, on the page and in --json"] if hidden > 0 else [])
