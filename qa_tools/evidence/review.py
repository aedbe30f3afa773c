"""The weekly review: every batch of the week judged, and what to do about it, in one object."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, NamedTuple, cast

import numpy as np
import pandas as pd

from qa_tools import __version__
from qa_tools.books.official import PLAIN, TestRow
from qa_tools.charts import ControlChart, individuals
from qa_tools.evidence.batches import (
    PULL,
    STAGE_WORDS,
    Batch,
    BookCheck,
    batches_of,
    floor_percent,
)
from qa_tools.evidence.findings import Finding, of_batch, of_chart, rank
from qa_tools.evidence.shown import Shown
from qa_tools.evidence.week import Week, last_complete, parse_week
from qa_tools.readings.works import Works

if TYPE_CHECKING:
    import plotly.graph_objects as go

MOST: Final = 6  # lines of what to do first
LISTED: Final = 5  # files named in one line
NOT_USED: Final = 20  # readings not used that a terminal lists
FEWEST: Final = 5  # batches before a chart of their means says anything
FORMAT: Final = 1
OUTCOME_WORDS: Final[dict[str, str]] = {
    "accept": "would pass",
    "reject": "would fail",
    "too few": "too few weighed",
    "unsettled": "not settled",
}
NOTHING: Final[dict[str, str]] = {
    "to_do": "Nothing found to do in what was weighed and judged.",
    "batches": "No batch was judged this week.",
    "fresh": "No fresh batch was weighed this week.",
    "tests": "No official test was run.",
    "pull": "No weighed package has to be pulled.",
    "giveaway": "Nothing was packed.",
    "not_used": "Every reading was used.",
    "unread": "Every file could be read.",
    "questions": "No questions.",
    "rules": "No rule book applied.",
    "from_memory": "No verdict rests on a figure from memory.",
    "basis": "No files were read.",
}
CAUTION: Final = (
    "This page informs; the weights-and-measures authority of each market decides. "
    "Compare figures marked as remembered with the official table before relying on them."
)


class WeekChart(NamedTuple):
    """A chart of batch means, with the batches of the week by label."""

    title: str
    chart: ControlChart
    batches: tuple[str, ...]

    def figure(self) -> go.Figure:
        """The chart, the week's points marked."""
        from qa_tools.pictures.charts import control_chart

        return control_chart(self.chart, about=self.title, marked=self.batches)


@dataclass(frozen=True, eq=False)
class Review:
    """
    One week of a works; prints as a short readable summary.

    Attributes
    ----------
    name : str
        Of the works.
    week : Week or None
        None where no weighing has a date: then everything is reviewed.
    as_of : Timestamp
        The day the review speaks of; NaT where nothing is dated.
    checks : tuple of Batch
        The week's batches, judged.
    findings : tuple of Finding
        Everything to do, most urgent first; `to_do` is the first six.
    charts : tuple of WeekChart
    currency : str
    costs : Series
        Cost per kg by product.
    unread, questions, not_used, sources : DataFrame
        As in `Works` and `Weighings`.
    """

    name: str
    week: Week | None
    as_of: pd.Timestamp
    checks: tuple[Batch, ...]
    findings: tuple[Finding, ...]
    charts: tuple[WeekChart, ...]
    currency: str
    costs: pd.Series[float]
    unread: pd.DataFrame
    questions: pd.DataFrame
    not_used: pd.DataFrame
    sources: pd.DataFrame

    @property
    def title(self) -> str:
        """What the review is of."""
        return (
            f"{self.name}, week of {self.week}" if self.week else f"{self.name}, undated weighings"
        )

    @property
    def to_do(self) -> pd.DataFrame:
        """What to do first: at most six lines, ``what, to_do``."""
        rows = [(finding.kind, finding.text) for finding in self.findings[:MOST]]
        return pd.DataFrame(rows, columns=["what", "to_do"])

    @property
    def batches(self) -> pd.DataFrame:
        """One row a batch: our own check first, then each book in the words people use."""
        judged = [batch for batch in self.checks if batch.stage != "cut"]
        books = sorted({check.book.name for batch in judged for check in batch.books})
        rows = []
        for batch in judged:
            outcomes = {check.book.name: _outcome_words(check, batch) for check in batch.books}
            row = {"batch": batch.batch, "product": f"{batch.name}, {batch.declared}".strip(", ")}
            rows.append(row | _own_words(batch) | {book: outcomes.get(book, "") for book in books})
        return pd.DataFrame(rows)

    @property
    def fresh(self) -> pd.DataFrame:
        """One row a fresh batch and kind of label: what it may lose and still hold, in per cent."""
        rows: dict[tuple[object, ...], dict[str, Any]] = {}
        for batch in self.checks:
            for room in batch.may_lose:
                told = (
                    str(room.limits.tested),
                    floor_percent(room.mean),
                    floor_percent(room.lightest),
                )
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
                row["under"] += f"{', ' if row['under'] else ''}{room.limits.book.name}"
        return pd.DataFrame(list(rows.values()))

    @property
    def tests(self) -> pd.DataFrame:
        """Every official test behind the batches: measured, limit, outcome and clause."""
        rows: list[dict[str, Any]] = []
        for batch in self.checks:
            for check in batch.books:
                head = {"batch": batch.batch, "book": check.book.name, "label": str(check.label)}
                remembered = check.verdict is not None and check.verdict.from_memory
                head["figures"] = "from memory" if remembered else ""
                if check.verdict is None or not check.verdict.rows:
                    rows.append(head | {"test": check.reason, "outcome": check.outcome})
                    continue
                rows += [head | test._asdict() for test in check.verdict.rows]
        columns = ["batch", "book", "label", *TestRow._fields, "figures"]
        return (
            pd.DataFrame(rows, columns=columns)
            .astype({"unit": object})
            .fillna({"unit": "", "clause": ""})
        )

    @property
    def pull(self) -> pd.DataFrame:
        """The weighed packages that may not be sold: batch, loaf, slot, weight, file and row."""
        parts = [batch.pull for batch in self.checks if len(batch.pull)]
        return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=PULL)

    @property
    def giveaway(self) -> pd.DataFrame:
        """Mean net above declared of packages sold, in grams, kilograms and money, by batch."""
        rows = []
        for batch in self.checks:
            if batch.own is None:
                continue
            over = batch.own.over
            kilos = over * batch.packages / 1000 if batch.packages else np.nan
            cost = kilos * float(self.costs.get(batch.product, np.nan))
            rows.append(
                {
                    "batch": batch.batch,
                    "product": batch.name,
                    "declared": batch.declared,
                    "over the label, g a package": round(over, 2),
                    "packages": batch.packages or "",
                    "given away, kg": round(kilos, 2) if over > 0 else 0.0,
                    f"given away, {self.currency}": round(cost, 2) if over > 0 else 0.0,
                }
            )
        return pd.DataFrame(rows)

    @property
    def rules(self) -> pd.DataFrame:
        """The rule books used: edition, when each judges, and what it says of drying."""
        used = {check.book.name: check.book for batch in self.checks for check in batch.books}
        used |= {
            room.limits.book.name: room.limits.book for b in self.checks for room in b.may_lose
        }
        rows = [
            {
                "book": book.name,
                "title": book.title,
                "edition": book.edition,
                "judged at": book.judged_at,
                "on drying": book.drying,
                "decided by": book.authority,
            }
            for _, book in sorted(used.items())
        ]
        return pd.DataFrame(rows)

    @property
    def from_memory(self) -> pd.DataFrame:
        """Figures behind these verdicts that nobody has compared with the official table yet."""
        figures = {
            figure.name: figure
            for batch in self.checks
            for check in batch.books
            if check.verdict is not None
            for figure in check.verdict.from_memory
        }
        rows = [
            {"figure": f.name, "as remembered": f.value, "compare with": f.official}
            for _, f in sorted(figures.items())
        ]
        return pd.DataFrame(rows, columns=["figure", "as remembered", "compare with"])

    @property
    def basis(self) -> pd.DataFrame:
        """The files behind the review with their hashes; the version is in `version`."""
        return self.sources.assign(sha256=self.sources["sha256"].str[:16])

    @property
    def version(self) -> str:
        """The toolkit's version."""
        return __version__

    def figure(self) -> go.Figure:
        """Every weighing of the week against its label, a line a batch."""
        from qa_tools.books.limits import below
        from qa_tools.pictures.batches import BatchLine, against_label

        lines = []
        for batch in self.checks:
            own, net = batch.own, batch.sold["net_g"].to_numpy()
            if own is None:
                continue
            limit, tolerable = own.limits, own.limits.tolerance_g is not None
            where = batch.sold[["loaf", "slot", "row", "file"]].itertuples(index=False)
            lines.append(
                BatchLine(
                    batch=batch.batch,
                    about=f"{batch.name}, {batch.declared}",
                    net_g=net.tolist(),
                    places=[
                        f"loaf {loaf} slot {slot}" if loaf else f"row {row} of {file}"
                        for loaf, slot, row, file in where
                    ],
                    light=below(net, limit.short_g).tolist(),
                    declared_g=limit.declared_g,
                    short_g=limit.short_g if tolerable else None,
                    twice_g=limit.twice_g if tolerable else None,
                    mean=own.mean,
                    lower=own.mean_lower,
                    upper=own.mean_upper,
                    short=own.finding == "short",
                    headline=own.headline,
                )
            )
        return against_label(lines)

    def show(self, table: str) -> Shown:
        """
        One of the review's tables for people, every word of it.

        Parameters
        ----------
        table : str
            ``"to_do"``, ``"batches"``, ``"fresh"``, ``"tests"``, ``"pull"``, ``"giveaway"``,
            ``"not_used"``, ``"unread"``, ``"questions"``, ``"rules"``, ``"from_memory"`` or
            ``"basis"``.

        Raises
        ------
        ValueError
            Not one of these.
        """
        if table not in NOTHING:
            raise ValueError(f"{table!r} is not a table of a review; it has {', '.join(NOTHING)}")
        return Shown(getattr(self, table), NOTHING[table])

    def to_dict(self) -> dict[str, Any]:
        """The same facts for machines: plain values, rounded, dates as text; ``format`` 1."""
        dated = None if pd.isna(self.as_of) else f"{self.as_of:%Y-%m-%d}"
        week = None if self.week is None else [f"{day:%Y-%m-%d}" for day in self.week]
        return {
            "format": FORMAT,
            "works": self.name,
            "week": week,
            "as_of": dated,
            "findings": [finding._asdict() for finding in self.findings],
            "batches": [_batch_facts(batch) for batch in self.checks],
            "tests": records(self.tests),
            "fresh": records(self.fresh),
            "pull": records(self.pull),
            "giveaway": records(self.giveaway),
            "signals": [
                {"chart": chart.title, "point": int(row["point"]), "batch": row["label"]}
                | {"value": round(float(row["value"]), 4), "reason": row["reason"]}
                for chart in self.charts
                for row in chart.chart.signals.to_dict("records")
            ],
            "unread": records(self.unread),
            "questions": records(self.questions),
            "not_used": records(self.not_used),
            "rules": records(self.rules),
            "from_memory": records(self.from_memory),
            "sources": records(self.sources),
            "version": self.version,
            "caution": CAUTION,
        }

    def __str__(self) -> str:
        lines = [self.title, ""]
        for row in self.unread.to_dict("records"):
            lines.append(f"Not read: {row['file']}: {row['found']}. {row['to_do']}")
        lines += [f"{i}. {finding.text}" for i, finding in enumerate(self.findings[:MOST], 1)]
        if not self.findings:
            lines.append("Nothing found to do in what was weighed and judged.")
        more = len(self.findings) - MOST
        lines += [f"and {more} more, below"] if more > 0 else []
        for batch in self.checks:
            lines += ["", *batch_lines(batch)]
        if not self.from_memory.empty:
            lines += ["", "Figures from memory, to compare with the official table:"]
            told = self.from_memory.itertuples(index=False, name=None)
            lines += [f"  {name}: {value} ({official})" for name, value, official in told]
        lost, used = self.not_used, int(self.sources["used"].sum())
        lines += ["", f"{used} readings used, {len(lost)} not used{':' if len(lost) else '.'}"]
        for row in lost.head(NOT_USED).to_dict("records"):
            hint = f" ({row['suggestion']})" if row["suggestion"] else ""
            lines.append(f"  row {row['row']} of {row['file']}: {row['reason']}{hint}")
        hidden = len(lost) - NOT_USED
        lines += [f"  and {hidden} more, on the page and in --json"] if hidden > 0 else []
        books = "; ".join(
            f"{row['book']}, {row['edition']}" for row in self.rules.to_dict("records")
        )
        lines += ["", f"Rule books: {books}. qa_tools {self.version}.", CAUTION]
        return "\n".join(lines)


def batch_lines(batch: Batch) -> list[str]:
    """One batch as readable text, our own check leading."""
    size = f" of {batch.packages}" if batch.packages and batch.stage != "cut" else ""
    stage = STAGE_WORDS.get(batch.stage, batch.stage)
    lines = [f"{batch.batch}  {batch.name}, {len(batch.sold)}{size} weighed {stage}".rstrip()]
    if batch.own is not None:
        lines += [f"  {line.strip()}" for line in str(batch.own).splitlines()]
    for check in batch.books:
        words = f"{PLAIN[check.outcome]}: {check.reason}"
        if check.verdict is not None and check.reason == check.verdict.reason:
            words = check.verdict.headline
        remembered = check.verdict is not None and check.verdict.from_memory
        note = " (rests on figures from memory, listed below)" if remembered else ""
        lines.append(f"  {check.book.name}: {words}{note}")
    for room in batch.may_lose:
        lines.append(
            f"  {room.limits.book.name}: may lose up to {floor_percent(room.mean):.1f} % "
            f"and still average {room.limits.tested}"
        )
    return lines + [f"  Note: {remark}" for remark in batch.remarks]


def review(
    works: Works,
    week: str | dt.date | None = None,
    books: Sequence[str] | str | None = None,
    *,
    as_of: str | dt.date | None = None,
) -> Review:
    """
    The weekly review: which batches hold what their label says, and what to do first.

    Parameters
    ----------
    works : Works
        From `read_works`.
    week : str or date, optional
        A date in the week, or "2026-W44"; the last complete week with weighings when not given.
    books : name or names, optional
        Rule books to judge by, instead of those the labels name.
    as_of : str or date, optional
        The day to speak of; the last date in the data when not given (never the clock).

    Returns
    -------
    Review

    Raises
    ------
    ValueError
        Not a week, an unknown book, or a week without weighings (says which weeks have some).

    Examples
    --------
    >>> works = getfixture("demo_works")
    >>> print(review(works).title)
    Quillhaven, week of 26 October to 1 November 2026
    """
    table = works.weighings.table
    settings = {row["name"].casefold(): row["value"] for row in works.settings.to_dict("records")}
    first_day = settings.get("first day of the week", "Monday")
    today = pd.Timestamp(as_of) if as_of is not None else last_date(works)
    if week is not None:
        chosen: Week | None = parse_week(week, first_day)
    else:
        working = settings.get("working days", "Monday to Friday")
        chosen = last_complete(table["when"], today, first_day, working)
    readings, touched = _readings(works, table, chosen)
    if touched.empty:
        dates = table["when"].dropna()
        span = (
            f"they run from {dates.min():%Y-%m-%d} to {dates.max():%Y-%m-%d}" if len(dates) else ""
        )
        raise ValueError(f"no weighing is dated in {chosen}; {span or 'none has a date'}")
    names = [books] if isinstance(books, str) else books
    checks = batches_of(works, readings, touched, names, today)
    charts = _charts(readings, checks)
    findings = [finding for batch in checks for finding in of_batch(batch, today)]
    findings += [found for chart in charts for found in of_chart(*chart)]
    if len(works.unread):
        names = ", ".join(works.unread["file"].drop_duplicates().head(LISTED))
        more = len(works.unread) - LISTED
        text = f"Not read, as listed on top: {names}{f' and {more} more' if more > 0 else ''}."
        findings.append(Finding("files not read", "", text))
    for row in works.questions.to_dict("records"):
        text = f"{row['file']}: {row['question']} {row['how_to_answer']}"
        findings.append(Finding("to answer", "", text))
    return Review(
        name=settings.get("works", works.name),
        week=chosen,
        as_of=today,
        checks=tuple(checks),
        findings=rank(findings),
        charts=tuple(charts),
        currency=settings.get("currency", "money"),
        costs=works.products.set_index("product")["cost_per_kg"],
        unread=works.unread,
        questions=works.questions,
        not_used=works.weighings.not_used,
        sources=works.weighings.sources,
    )


def last_date(works: Works) -> pd.Timestamp:
    """The last day on which anything is recorded as done, else packed; NaT where none is."""
    done = (works.weighings.table, works.dispatch, works.actions, works.cure, works.scale_checks)
    last = [day for day in (table["when"].max() for table in done) if pd.notna(day)]
    last = last or [day for day in [works.batches["packed_on"].max()] if pd.notna(day)]
    return max(last) if last else cast(pd.Timestamp, pd.NaT)


def _readings(
    works: Works, table: pd.DataFrame, week: Week | None
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The weighings up to the end of the week, and those of the week itself."""
    if week is None:
        return table, table
    # A weighing without a date is of the day its batch was packed, or made when freshly cut.
    days = works.batches.drop_duplicates("batch").set_index("batch")
    packed = pd.to_datetime(table["batch"].map(days["packed_on"].to_dict()))
    made = pd.to_datetime(table["batch"].map(days["made_on"].to_dict()))
    when = table["when"].fillna(packed.where(table["stage"] != "cut", made))
    so_far = when.isna() | (when < week.end + pd.Timedelta(days=1))
    table = table.assign(when=when)
    return table[so_far], table[week.holds(when)]


def _charts(readings: pd.DataFrame, checks: Sequence[Batch]) -> list[WeekChart]:
    """Batch means over time, for each product and stage of the week with enough batches."""
    found = []
    kinds = dict.fromkeys((batch.product, batch.stage, batch.name) for batch in checks)
    for product, stage, name in kinds:
        rows = readings[
            (readings["product"] == product)
            & (readings["stage"] == stage)
            & (readings["doubt"] == "")
            & (readings["batch"] != "")
        ]
        by_batch = rows.groupby("batch").agg(mean=("net_g", "mean"), when=("when", "min"))
        means = by_batch.sort_values(["when"], kind="stable")["mean"]
        if len(means) < FEWEST or means.nunique() == 1:
            continue
        chart = individuals(means.rename_axis("batch"), what="batch mean")
        mine = tuple(b.batch for b in checks if (b.product, b.stage) == (product, stage))
        found.append(WeekChart(f"{name}, {STAGE_WORDS.get(stage, stage)}", chart, mine))
    return found


def _own_words(batch: Batch) -> dict[str, object]:
    """Our own check of a batch as columns for people."""
    own = batch.own
    if own is None:
        return {}
    word = {
        "short": "averages short",
        "holds": "averages its label",
        "not shown": "not shown to hold",
    }
    declared = own.limits.declared_g
    if own.n == own.lot_size:
        interval = " (all weighed)"
    elif np.isnan(own.mean_lower):
        interval = " (too few to say more)"
    else:
        interval = f" ({own.mean_lower - declared:+.1f} to {own.mean_upper - declared:+.1f})"
    twice = f" ({own.short_twice} by more than twice)" if own.short_twice else ""
    if own.finding == "not shown" and own.short_twice:
        word["not shown"] = "holds on average, not every package"
    return {
        "weighed": f"{own.n} of {batch.packages or '?'}",
        "our own check": word[own.finding],
        "average over the label, g": f"{own.over:+.2f}{interval}",
        "short by more than allowed": f"{own.short}{twice}",
        "lightest, g": round(own.lightest, 1),
    }


def _outcome_words(check: BookCheck, batch: Batch) -> str:
    pulled = check.verdict is not None and check.verdict.pull and check.outcome == "accept"
    return OUTCOME_WORDS[check.outcome] + (f", pull {len(batch.pull)}" if pulled else "")


def _batch_facts(batch: Batch) -> dict[str, Any]:
    return {
        "batch": batch.batch,
        "product": batch.product,
        "name": batch.name,
        "stage": batch.stage,
        "packages": batch.packages,
        "weighed": len(batch.sold),
        "declared": batch.declared,
        "sent": batch.sent,
        "held": batch.held,
        "doubts": list(batch.doubts),
        "remarks": list(batch.remarks),
        "own_check": None if batch.own is None else batch.own.to_dict(),
        "books": {
            check.book.name: {
                "label": str(check.label),
                "outcome": check.outcome,
                "reason": check.reason,
                "may_ship": check.outcome == "accept" and batch.pull.empty,
            }
            for check in batch.books
        },
    }


def records(table: pd.DataFrame) -> list[dict[str, Any]]:
    """A table as plain records for JSON: missing as null, dates as text, floats rounded."""

    def plain(value: Any) -> Any:
        if isinstance(value, pd.Timestamp):
            return value.isoformat()
        if not isinstance(value, str) and pd.isna(value):
            return None
        if isinstance(value, float | np.floating):
            return round(float(value), 4)
        return int(value) if isinstance(value, np.integer) else value

    return [
        {str(name): plain(value) for name, value in row.items()} for row in table.to_dict("records")
    ]
