"""The charts of a week: its batches against limits set on the batches before it, or as agreed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import pandas as pd

from qa_tools.charts import Base, ControlChart, batch_means
from qa_tools.evidence.bases import agreed_bases, chart_title, in_force
from qa_tools.evidence.batches import STAGE_WORDS, Batch
from qa_tools.evidence.findings import Finding, of_chart
from qa_tools.evidence.lots import stopped
from qa_tools.evidence.week import Week
from qa_tools.readings.works import Works

if TYPE_CHECKING:
    import plotly.graph_objects as go

DRAWN: Final = 5  # batches before a chart of them is drawn
# Batches before the week from which limits are set on them and held. Limits set on all so far, the
# week's among them, cannot show a batch out of order until there are about twelve; held from eight
# on, they call at most one batch in 39 by chance (`charts.chance_outside`), from twelve one in 67.
HELD: Final = 8
NAMED: Final = 3  # batches named in a headline


class WeekChart(NamedTuple):
    """The batches of a product at one stage, those of the week by label."""

    title: str
    chart: ControlChart
    batches: tuple[str, ...]
    product: str
    stage: str

    @property
    def headline(self) -> str:
        """What is charted, and which batches of the week are out: the chart also shows old ones."""
        out = list(dict.fromkeys(found.batch for found in self.findings()))
        named = ", ".join(out) if len(out) <= NAMED else f"{len(out)} batches"
        return f"{self.title}: this week {f'{named} outside' if out else 'within'} the limits"

    def findings(self) -> list[Finding]:
        """What the chart asks to look at this week."""
        return list(of_chart(self.title, self.chart, self.batches, self.stage))

    def figure(self) -> go.Figure:
        """The chart, the week's points marked."""
        from qa_tools.pictures.charts import control_chart

        return control_chart(self.chart, about=self.headline, marked=self.batches)

    def to_dict(self) -> dict[str, Any]:
        """The chart for machines: its limits, what they rest on, and the week's batches."""
        chart = self.chart
        week = chart.points[chart.points["label"].isin(self.batches)]
        return {
            "what": self.title,
            "product": self.product,
            "stage": self.stage,
            "plotted": chart.what,
            "unit": chart.unit,
            "limits": _levels(chart.points.iloc[-1].to_dict(), "lower", "centre", "upper"),
            "finding": self.headline,
            "basis": chart.basis,
            "note": chart.note,
            "base": list(_periods(chart)),
            "batches": [
                {"batch": row["label"], "weighed": row["n"]}
                | _levels(row, "value", "lower", "upper")
                for row in week.to_dict("records")
            ],
        }

    def signals(self) -> list[dict[str, Any]]:
        """Every point that signals, of the means and of what is beneath, for machines."""
        return [
            {"chart": self.title, "plotted": chart.what, "point": row["point"]}
            | {"batch": row["label"], **_levels(row, "value"), "reason": row["reason"]}
            for chart in filter(None, (self.chart, self.chart.spread))
            for row in chart.signals.to_dict("records")
        ]


def charts_of(
    works: Works,
    readings: pd.DataFrame,
    checks: Sequence[Batch],
    week: Week | None,
    until: pd.Timestamp | None = None,
) -> tuple[list[WeekChart], list[Finding]]:
    """
    A chart for each product and stage of the week with enough batches; what is wrong with bases.

    Limits are set on the base periods agreed on in settings.csv; where there is none, on the
    batches before the week if they are enough; else on all so far. Batches that were held, reworked
    or taken back before the week are left out of a base. A base that cannot be used is told, and
    the chart made without it.

    Parameters
    ----------
    works : Works
    readings : DataFrame
        The weighings up to the end of the week, as ``Weighings.table``, with the day of each.
    checks : sequence of Batch
        The batches of the week.
    week : Week or None
        None where nothing is dated: then limits are set on all batches.
    until : Timestamp, optional
        Where the review speaks of a day: bases recorded after it are not known yet.

    Examples
    --------
    >>> import qa_tools as qa
    >>> drawn = qa.review(getfixture("demo_works")).charts[2]
    >>> drawn.headline
    'Rosemary foot scrub, filled: this week RS-1028 outside the limits'
    >>> print(drawn.chart.note.split(". ")[0])
    Limits were set on RS-0812 to RS-1021 (14 batches) and held from RS-1028 on
    """
    agreed, findings = agreed_bases(works, until)
    out = {} if week is None else stopped(works, week.start)
    table = works.weighings.table
    charts = []
    for kind, name in dict.fromkeys(((b.product, b.stage), b.name) for b in checks):
        product, stage = kind
        mine = tuple(dict.fromkeys(b.lot.batch for b in checks if (b.product, b.stage) == kind))
        of_kind = (readings["product"] == product) & (readings["stage"] == stage)
        rows, before = _in_order(_made(readings[of_kind]), week)
        labels = rows["batch"].unique().tolist()
        if len(set(labels) - out.keys()) < DRAWN or not _differ(rows):
            continue
        ever = table.loc[(table["product"] == product) & (table["stage"] == stage), "batch"]
        bases, faults = in_force(agreed.get(kind, ()), labels, ever.unique())
        title = chart_title(name, STAGE_WORDS.get(stage, stage))
        again = dict.fromkeys(set(mine) & set(labels[:before]), "judged this week")
        chart, more = _chart(rows, labels[:before], bases, out, again, title)
        charts.append(WeekChart(title, chart, mine, product, stage))
        findings += faults + more
    return charts, findings


def _made(rows: pd.DataFrame) -> pd.DataFrame:
    """
    What was made, each package once: pulled ones too, and a topped up one as it was first filled.

    A reading in doubt is left out, and one that was wrong and weighed again.
    """
    rows = rows[(rows["doubt"] == "") & (rows["batch"] != "")]
    topped = rows[(rows["fate"] == "topped up") & (rows["replaces"] != "")]
    ids = pd.MultiIndex.from_frame(rows[["batch", "id"]])
    replaced = pd.MultiIndex.from_frame(topped[["batch", "replaces"]])
    again = rows.index.isin(topped.index[replaced.isin(ids)])
    taken_out = rows["fate"].isin(["pulled", "rework", "retained"])
    return rows[(rows["judged"] | taken_out | ids.isin(replaced)) & ~again]


def _in_order(rows: pd.DataFrame, week: Week | None) -> tuple[pd.DataFrame, int]:
    """Readings by batch in order of time, and how many batches were first weighed before."""
    first = rows.groupby("batch")["day"].min().sort_values(kind="stable")
    place = first.index.get_indexer(pd.Index(rows["batch"]))
    before = 0 if week is None else int((first < week.start).sum())
    return rows.iloc[np.argsort(place, kind="stable")], before


def _differ(rows: pd.DataFrame) -> bool:
    """Whether batch means differ by more than rounding."""
    means = rows.groupby("batch")["net_g"].mean()
    return bool(np.ptp(means) > 1e-12 * means.max())


def _chart(
    rows: pd.DataFrame,
    before: Sequence[str],
    agreed: Sequence[Base],
    out: Mapping[str, str],
    again: Mapping[str, str],
    title: str,
) -> tuple[ControlChart, list[Finding]]:
    """The chart on the bases agreed on, else on the batches before the week, else on all."""
    labels = rows["batch"].unique().tolist()

    def on(bases: Sequence[Base], out: Mapping[str, str]) -> ControlChart:
        kept = [_without(base, labels, out) for base in bases]
        return batch_means(rows["net_g"], rows["batch"], base=kept or None)

    faults = []
    if agreed:
        try:
            return on(agreed, out), []
        except ValueError as error:
            said = f"settings.csv: the chart base of {title} is not used: {error}."
            faults = [Finding("to answer", "", said)]
    usual: list[tuple[Base, Mapping[str, str]]] = []
    if len(set(before) - out.keys() - again.keys()) >= HELD:
        usual.append((Base(before[0], before[-1]), {**again, **out}))
    if out.keys() & set(labels):
        usual.append((Base(labels[0], labels[-1]), out))
    for base, known in usual:
        try:
            return on([base], known), faults
        except ValueError:  # single or equal readings carry no limits; more batches may
            continue
    return on([], {}), faults


def _without(base: Base, labels: Sequence[str], out: Mapping[str, str]) -> Base:
    """The base without the batches that are known to be different."""
    period = labels[labels.index(str(base.first)) : labels.index(str(base.last)) + 1]
    return replace(base, without={label: out[label] for label in period if label in out})


def _periods(chart: ControlChart) -> Iterator[dict[str, Any]]:
    """The base periods of a chart; none where its limits are set on all batches."""
    labels = chart.points["label"].tolist()
    for phase in chart.phases:
        mine = labels[phase.points]
        yield {
            "first": mine[phase.base.start],
            "last": mine[phase.base.stop - 1],
            "agreed": phase.agreed,
            "reason": phase.reason,
            "without": {mine[place]: why for place, why in phase.without.items()},
        }


def _levels(row: Mapping[Any, Any], *names: str) -> dict[str, float]:
    return {name: round(float(row[name]), 4) for name in names}
