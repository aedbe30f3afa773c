"""The weekly review: every lot of the week judged, and what to do about it, in one object."""

from __future__ import annotations

import datetime as dt
import difflib
import html
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from qa_tools import __version__
from qa_tools.evidence import tables
from qa_tools.evidence.batches import Batch, batches_of, remembered
from qa_tools.evidence.charted import WeekChart, charts_of
from qa_tools.evidence.cutter import Cutters
from qa_tools.evidence.cutters import cut_loaves
from qa_tools.evidence.cutters import cutters as of_cutters
from qa_tools.evidence.entries import of_changes, of_entries, of_releases
from qa_tools.evidence.findings import Finding, of_batch, rank
from qa_tools.evidence.labelled import checked
from qa_tools.evidence.lots import open_hold
from qa_tools.evidence.period import days_of, last_date, lost_in, of_period
from qa_tools.evidence.shown import Shown
from qa_tools.evidence.week import Week, last_complete, parse_day, parse_week
from qa_tools.readings.answers import Answers
from qa_tools.readings.dates import day_words, weekdays
from qa_tools.readings.weighings import answers_of
from qa_tools.readings.works import Works

if TYPE_CHECKING:
    import plotly.graph_objects as go

MOST: Final = 6  # lines of what to do first
LISTED: Final = 5  # files named in one line
FORMAT: Final = 1
NOTHING: Final[dict[str, str]] = {
    "to_do": "Nothing found to do in what was weighed and judged.",
    "batches": "No batch was judged this week.",
    "fresh": "No fresh batch was weighed this week.",
    "tests": "No official test was run.",
    "pull": "No weighed package has to be pulled.",
    "giveaway": "Nothing was packed.",
    "not_used": "Every reading of the week was used.",
    "unread": "Everything could be read.",
    "questions": "No questions.",
    "rules": "No rule book applied.",
    "from_memory": "No verdict rests on a figure from memory.",
    "basis": "No files were read.",
}
CAUTION: Final = (
    "This page informs; the weights-and-measures authority of each market decides. "
    "Compare figures marked as from memory with the official table before relying on them."
)


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
        The week's batches, judged: those weighed in it, and those packed in it.
    findings : tuple of Finding
        Everything to do, most urgent first; `to_do` is the first six.
    charts : tuple of WeekChart
    cutters : Cutters
        The wires of each cutter, by the loaves up to the end of the week.
    currency : str
    costs : mapping
        Cost per kg by product.
    unread, questions, files : DataFrame
        As in `Works`.
    not_used : DataFrame
        As in `Weighings`, those of the week.
    changed : DataFrame
        What is not as it was when the works was last logged; see `Works.changes`.
    used, not_used_before : int
        Readings used in all; not used in other weeks.
    later : str
        Where the week was not asked for: what was weighed after it; "" where nothing.

    Examples
    --------
    >>> review(getfixture("demo_works"), "2026-W44").findings[0].kind
    'on sale and short'
    """

    name: str
    week: Week | None
    as_of: pd.Timestamp
    checks: tuple[Batch, ...]
    findings: tuple[Finding, ...]
    charts: tuple[WeekChart, ...]
    cutters: Cutters
    currency: str
    costs: Mapping[str, float]
    unread: pd.DataFrame
    questions: pd.DataFrame
    not_used: pd.DataFrame
    files: pd.DataFrame
    changed: pd.DataFrame
    used: int
    not_used_before: int
    later: str

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
        return tables.batches(self.checks)

    @property
    def fresh(self) -> pd.DataFrame:
        """One row a fresh batch and kind of label: what it may lose and still hold, in per cent."""
        return tables.fresh(self.checks)

    @property
    def tests(self) -> pd.DataFrame:
        """Every official test behind the batches: measured, limit, outcome and clause."""
        return tables.tests(self.checks)

    @property
    def pull(self) -> pd.DataFrame:
        """The weighed packages that may not be sold: batch, loaf, slot, weight, file and row."""
        return tables.pull(self.checks)

    @property
    def giveaway(self) -> pd.DataFrame:
        """Mean net above declared of packages sold, in grams, kilograms and money, by batch."""
        return tables.giveaway(self.checks, self.costs, self.currency)

    @property
    def rules(self) -> pd.DataFrame:
        """The rule books used: edition, when each judges, and what it says of drying."""
        return tables.rules(self.checks)

    @property
    def from_memory(self) -> pd.DataFrame:
        """Figures behind these verdicts that nobody has compared with the official table yet."""
        return tables.from_memory(self.checks)

    @property
    def wires(self) -> list[str]:
        """One line a cutter: what to do to its wires, without a full stop."""
        return self.cutters.lines

    @property
    def basis(self) -> pd.DataFrame:
        """The files behind the review with their hashes; the version is in `version`."""
        return self.files.assign(sha256=self.files["sha256"].str[:16])

    @property
    def version(self) -> str:
        """The toolkit's version."""
        return __version__

    def figure(self) -> go.Figure:
        """Every weighing of the week against its label, a line a batch."""
        from qa_tools.pictures.batches import BatchLine, against_label

        drawn = [batch for batch in self.checks if batch.own is not None]
        return against_label([BatchLine(**tables.line(batch)) for batch in drawn])

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
        books = tables.books_of(self.checks)
        heads = {book.name: f"{book.jurisdiction} ({book.name})" for book in books}
        told = tables.tests(self.checks, words=True) if table == "tests" else getattr(self, table)
        return Shown(told, NOTHING[table], heads | {"net_g": "net, g"})

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
            "tests": tables.records(self.tests),
            "fresh": tables.records(self.fresh),
            "pull": tables.records(self.pull),
            "giveaway": tables.records(self.giveaway),
            "charts": [chart.to_dict() for chart in self.charts],
            "signals": [signal for chart in self.charts for signal in chart.signals()],
            "cutters": [one.to_dict() for one in self.cutters.studied.values()],
            "cutters_not_studied": self.cutters.refusals,
            "changed": tables.records(self.changed),
            "unread": tables.records(self.unread),
            "questions": tables.records(self.questions),
            "not_used": tables.records(self.not_used),
            "not_used_before": self.not_used_before,
            "later": self.later,
            "rules": tables.records(self.rules),
            "from_memory": tables.records(self.from_memory),
            "files": tables.records(self.files),
            "version": self.version,
            "caution": CAUTION,
        }

    def __str__(self) -> str:
        from qa_tools.evidence.text import as_text

        return as_text(self)

    def _repr_html_(self) -> str:
        return f"<p>{html.escape(self.title)}</p>{self.show('to_do').html()}"


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
    answers = answers_of(works.settings)
    order = answers.general("date order").casefold()
    first_day = _weekdays(answers, "first day of the week", "Monday")
    today = parse_day(as_of, order) if as_of is not None else last_date(works)
    table = table.assign(day=days_of(works, table))
    if as_of is not None:  # as it stood on that day
        first = table["day"].min()
        table = table[table["day"].isna() | (table["day"] < today + pd.Timedelta(days=1))]
        if not len(table) and pd.notna(first):
            raise ValueError(f"nothing was weighed by {day_words(today)}; the first weighing is of "
                             f"{day_words(first)}")  # fmt: skip
    if week is not None:
        chosen: Week | None = parse_week(week, first_day, order)
    else:
        working = _weekdays(answers, "working days", "Monday to Friday")
        chosen = last_complete(table["when"], today, first_day, working)
    so_far, keys, unweighed = of_period(works, table, chosen)
    if keys.empty and unweighed.empty:
        dates = table["when"].dropna()
        span = (
            f"they run from {dates.min():%Y-%m-%d} to {dates.max():%Y-%m-%d}" if len(dates) else ""
        )
        raise ValueError(f"no weighing is dated in {chosen}; {span or 'none has a date'}")
    names = [books] if isinstance(books, str) else books
    costs = works.products.drop_duplicates("product").set_index("product")["cost_per_kg"]
    checks = batches_of(works, so_far, keys, names, today)
    charts, of_bases = charts_of(works, so_far, checks, chosen, None if as_of is None else today)
    lost = works.weighings.not_used
    of_week = lost_in(lost, chosen, so_far.merge(keys[["product", "batch"]].drop_duplicates()))
    findings = [finding for batch in checks for finding in of_batch(batch, today)]
    findings += [found for chart in charts for found in chart.findings()]
    findings += of_bases
    cutters = _cutters(works, _last_day(chosen, None if as_of is None else today))
    findings += cutters.findings()
    findings += _not_weighed(unweighed, lost)
    findings += of_entries(works, so_far, checks)
    findings += of_releases(works, checks)
    findings += _from_before(works, so_far, keys, today)
    findings += _of_reading(works, lost[of_week], chosen)
    findings += _of_checking(works, checks)
    changed = works.changes()
    findings += of_changes(works, changed)
    return Review(
        name=answers.general("works") or works.name,
        week=chosen,
        as_of=today,
        checks=tuple(checks),
        findings=rank(findings),
        charts=tuple(charts),
        cutters=cutters,
        currency=answers.general("currency") or "money",
        costs={str(product): float(cost) for product, cost in costs.items()},
        unread=works.unread,
        questions=works.questions,
        not_used=lost[of_week].reset_index(drop=True),
        files=works.files,
        changed=changed,
        used=len(table),
        not_used_before=int((~of_week).sum()),
        later=_later(table, chosen) if week is None else "",
    )


def _cutters(works: Works, until: pd.Timestamp | None) -> Cutters:
    """Each cutter by the loaves up to the end of a day; none where no loaf was weighed."""
    if not cut_loaves(works, until):
        return Cutters({}, {}, works.wires)
    return of_cutters(works, until=until)


def _last_day(week: Week | None, until: pd.Timestamp | None) -> pd.Timestamp | None:
    """The last day that is known of: of the week, or before where the review speaks of a day."""
    days = [day for day in (week and week.end, until) if day is not None]
    return min(days) if days else None


def _weekdays(answers: Answers, name: str, usual: str) -> str:
    """What settings.csv says of weekdays; the usual where it says nothing that is understood."""
    said = answers.general(name) or usual
    try:
        weekdays(said)
    except ValueError:  # asked about where the settings are read
        return usual
    return said


def _later(table: pd.DataFrame, week: Week | None) -> str:
    if week is None:
        return ""
    after = table[table["day"] >= week.end + pd.Timedelta(days=1)]
    if after.empty:
        return ""
    many = f"{len(after)} weighing{'s' if len(after) > 1 else ''}"
    return f"{many} from {day_words(after['day'].min())} on: not in this week, ask for theirs."


def _not_weighed(unweighed: pd.DataFrame, lost: pd.DataFrame) -> Iterator[Finding]:
    for batch, runs in unweighed.groupby("batch", sort=False):
        packages = runs["packages"].sum() if runs["packages"].notna().all() else None
        many = f", {packages} packages" if packages is not None else ""
        day = day_words(runs["packed_on"].min(), year=False)
        tried = int((lost["batch"] == batch).sum())
        what = f"none of its {tried} weighings could be used" if tried else "nothing weighed"
        yield Finding("not weighed", str(batch), f"Packed on {day}{many}, and {what}.")


def _from_before(
    works: Works, so_far: pd.DataFrame, keys: pd.DataFrame, as_of: pd.Timestamp
) -> Iterator[Finding]:
    """What earlier weeks left open: readings nobody answered for, holds nobody closed."""
    earlier = so_far[~so_far["batch"].isin(keys["batch"])]
    open_ = earlier[earlier["doubt"] != ""].drop_duplicates(["batch", "doubt"])
    for batch, doubt in open_[["batch", "doubt"]].itertuples(index=False):
        yield Finding("to answer", batch, f"Open from an earlier week: {doubt}")
    for batch in works.actions["batch"].unique():
        key, age = open_hold(works, batch, as_of) if batch not in set(keys["batch"]) else ("", "")
        if batch and key:
            yield Finding("held", batch, f"Still on hold{age} ({key}).")


def _of_reading(works: Works, lost: pd.DataFrame, week: Week | None) -> Iterator[Finding]:
    """Files and cells that could not be read, questions, and readings of the week not used."""
    cell = works.unread["row"] > 0
    for kind, words, rows in (
        ("files not read", "Not read, each listed with what to do", works.unread[~cell]),
        ("list to mend", "Cells of lists that could not be read", works.unread[cell]),
    ):
        if len(rows):
            names = rows["file"].drop_duplicates()
            more = len(names) - LISTED
            tail = f" and {more} more" if more > 0 else ""
            yield Finding(kind, "", f"{words}: {', '.join(names.head(LISTED))}{tail}.")
    for row in works.questions.to_dict("records"):
        yield Finding("to answer", "", f"{row['file']}: {row['question']} {row['how_to_answer']}")
    if len(lost):
        files = lost["file"].value_counts(sort=False).head(LISTED)
        where = ", ".join(f"{count} in {file}" for file, count in files.items())
        many = f"{len(lost)} reading{'s' if len(lost) > 1 else ''}"
        of = " of the week" if week is not None else ""
        yield Finding("not used", "", f"{many}{of} not used, each listed with its reason: {where}.")


def _of_checking(works: Works, checks: Sequence[Batch]) -> Iterator[Finding]:
    """Figures that settings.csv records as checked under a name that is nearly one in use."""
    figures = {
        figure.name.casefold(): figure.name
        for batch in checks
        for check in batch.books
        if check.verdict is not None
        for figure in check.verdict.figures
    }
    for name in checked(works):
        near = difflib.get_close_matches(name.casefold(), figures, n=1, cutoff=0.9)
        if near and near[0] != name.casefold():
            yield Finding(
                "to answer",
                "",
                f'settings.csv: "checked {name}" is the name of no figure used here; is '
                f'"{figures[near[0]]}" meant?',
            )


def _batch_facts(batch: Batch) -> dict[str, Any]:
    lot = batch.lot
    return {
        "batch": lot.batch,
        "pack_code": lot.pack_code,
        "product": batch.product,
        "name": batch.name,
        "stage": batch.stage,
        "packages": batch.packages,
        "weighed": len(batch.sold),
        "declared": batch.declared,
        "sent": lot.sent,
        "held": lot.held,
        "settled": lot.settled,
        "faults": list(batch.faults),
        "doubts": list(batch.doubts),
        "remarks": list(batch.remarks),
        "own_check": None if batch.own is None else batch.own.to_dict(),
        "books": [
            {
                "book": check.book.name,
                "label": str(check.label),
                "outcome": check.outcome,
                "reason": check.reason,
                "note": check.note,
                "may_ship": check.outcome == "accept"
                and check.verdict is not None
                and check.verdict.may_ship,
                "from_memory": remembered(check),
            }
            for check in batch.books
        ],
    }
