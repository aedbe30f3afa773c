"""One cutter of a works, studied: what to do to its wires, since when, what it costs, in words."""

from __future__ import annotations

import html
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, NamedTuple

import pandas as pd

from qa_tools.books.rulebook import RuleBook
from qa_tools.decisions.wires import (
    Consequence,
    Pitches,
    WireStudy,
    WireWatch,
    after_work,
    consequence,
    pitches,
    wear,
)
from qa_tools.decisions.wires.advice import TAG
from qa_tools.decisions.wires.loaves import loaf_words
from qa_tools.decisions.wires.tension import CAUTION
from qa_tools.decisions.wires.words import (
    lasting,
    rows_of,
    signal_words,
    since_words,
)
from qa_tools.evidence.findings import Finding
from qa_tools.evidence.tables import records
from qa_tools.readings.quantities import Declaration

if TYPE_CHECKING:
    import plotly.graph_objects as go

# Which of a wire's two faults the work is for.
CAUSE = {"retension": "wander", "move": "offset"}


class Terms(NamedTuple):
    """What a bar must hold, and what it costs: of the product with the least allowed."""

    product: str
    label: Declaration
    books: tuple[RuleBook, ...]
    loss_percent: float
    lot_size: int | None
    cost_per_kg: float
    bars_a_month: float
    currency: str


@dataclass(frozen=True, eq=False, repr=False)
class CutterStudy:
    """
    One cutter of a works, studied; prints the decision first.

    Attributes
    ----------
    name : str
        As the weights and products call it.
    cuts : str
        What it cuts, and which loaves were studied.
    study : WireStudy
        With the history of a wire begun anew at each service and where the watch found a change.
    watch : WireWatch
        What watching loaf by loaf would have told.
    watched : WireStudy
        What was watched: as `study`, but begun anew at services alone.
    assumed : str
        How ends, numbering and services of no known kind were taken, and where to say otherwise.
    left_out : tuple of str
        Bars and services that could not be used, each with the reason.
    terms : Terms or None
        What advice and cost go by; None where no label says what a bar must hold: then a wire
        matters by its fellows alone.
    """

    name: str
    cuts: str
    study: WireStudy
    watch: WireWatch
    watched: WireStudy
    assumed: str
    left_out: tuple[str, ...]
    terms: Terms | None

    @property
    def title(self) -> str:
        """The cutter in a sentence."""
        return f"Cutter {self.name}".strip()

    @property
    def to_do(self) -> pd.DataFrame:
        """What to do, causes common to all wires first: columns advice, wire and reason."""
        rows: list[tuple[str, Any, str]] = [
            ("look first", pd.NA, f"{cause.cause}: {cause.words}")
            for cause in rows_of(self.study.causes)
        ]
        now = {
            signal.wire: f"; {since_words(self.watched, signal)}"
            for signal in lasting(self.watched, self.watch)
        }
        for advice in ("retension", "move", "watch"):
            for row in rows_of(self.study.wires[self.study.wires["advice"] == advice]):
                since = "" if advice == "watch" else now.get(row.wire, "")
                tag = TAG if row.reason.endswith(TAG) else ""
                rows.append((advice, row.wire, f"{row.reason.removesuffix(TAG)}{since}{tag}"))
        return pd.DataFrame(rows, columns=["advice", "wire", "reason"]).astype({"wire": "Int64"})

    @property
    def table(self) -> pd.DataFrame:
        """One row a wire, rounded: where it stands and how it wanders, with intervals, advice."""
        return _rounded(self.study.wires).assign(advice=self.study.wires["advice"].to_numpy())

    @property
    def serviced(self) -> list[str]:
        """Of each service, whether it did what it should."""
        return [
            f"{self._name(row.wire)}, before {loaf_words(row.loaf)}: {row.words}"
            for row in rows_of(after_work(self.watched))
        ]

    @property
    def wears(self) -> list[str]:
        """Of each wire that slackens with the loaves it cuts, when it is due."""
        terms = self.terms
        found = (
            wear(self.watched)
            if terms is None
            else wear(self.watched, terms.label, terms.books, loss_percent=terms.loss_percent)
        )
        return found.loc[found["due_in"].notna(), "words"].tolist()

    @cached_property
    def costs(self) -> dict[int, Consequence | str]:
        """What each wire to retension or move does to packed bars, or why that cannot be told."""
        terms = self.terms
        if terms is None or terms.lot_size is None:
            return {}
        found: dict[int, Consequence | str] = {}
        for row in rows_of(self.to_do[self.to_do["advice"].isin(CAUSE)]):
            try:
                found[int(row.wire)] = consequence(
                    self.study,
                    int(row.wire),
                    terms.label,
                    terms.books,
                    lot_size=terms.lot_size,
                    loss_percent=terms.loss_percent,
                    cost_per_kg=terms.cost_per_kg,
                    bars_a_month=terms.bars_a_month,
                )
            except ValueError as reason:
                found[int(row.wire)] = str(reason)
        return found

    @property
    def costs_in_words(self) -> list[str]:
        """The same in plain words."""
        advice = dict(zip(self.to_do["wire"], self.to_do["advice"], strict=True))
        currency = self.terms.currency if self.terms else ""
        return [
            f"{self._name(wire)}: not told: {found}"
            if isinstance(found, str)
            else f"{found.name}: {found.words(CAUSE[advice[wire]], currency)}"
            for wire, found in self.costs.items()
        ]

    def _name(self, wire: int) -> str:
        return self.study.cutter.name(self.study.cutter.face(wire))

    @property
    def headline(self) -> str:
        """What to do first, in one line without a full stop."""
        if self.to_do.empty:
            return f"{self.title}: {self.study.finding}"
        first = self.to_do.iloc[0]
        return f"{self.title}: {first['advice']}: {first['reason']}"

    @property
    def told(self) -> list[str]:
        """The signals of the watch in plain words, in order."""
        return [signal_words(self.watched, signal) for signal in self._signals]

    @property
    def _signals(self) -> Iterator[Any]:
        return rows_of(self.watch.signals)

    def figure(self) -> go.Figure:
        """The map of the cutter: wires across, loaves down, displacement as colour."""
        from qa_tools.pictures.wires import cutter_map

        return cutter_map(self.watched, self.watch)

    def wander_figure(self) -> go.Figure:
        """The wander of each wire over its last loaves, against its limit."""
        from qa_tools.decisions.wires.windows import windows
        from qa_tools.pictures.wires import wander_over_time

        return wander_over_time(self.watched, self.watch, windows(self.watched, self.watch))

    def loaf_figure(self) -> go.Figure:
        """The latest loaves with their cut faces where the model puts them, exaggerated."""
        return self.watched.loaf_figure()

    def to_dict(self) -> dict[str, Any]:
        """The same facts for machines: plain values, rounded."""
        return {
            "cutter": self.name,
            "cuts": self.cuts,
            "finding": self.headline,
            "to_do": _records(self.to_do),
            "wires": _records(self.study.wires),
            "history": _records(self.study.history),
            "signals": _records(self.watch.signals),
            "signals_in_words": self.told,
            "serviced": self.serviced,
            "wears": self.wears,
            "false_alarm_loaves": self.watch.false_alarm,
            "causes": _records(self.study.causes),
            "set_aside": _records(self.study.set_aside),
            **records(pd.DataFrame([vars(self.study)], columns=["base_mm", "noise_g"]))[0],
            "assumed": self.assumed,
            "left_out": list(self.left_out),
        }

    def __str__(self) -> str:
        return "\n".join(self._lines())

    __repr__ = __str__

    def _repr_html_(self) -> str:
        first, *rest = map(html.escape, self._words())
        return f"<p><b>{first}</b></p>" + "".join(f"<p>{line}</p>" for line in rest)

    def _lines(self) -> Iterator[str]:
        words = iter(self._words())
        yield next(words)
        yield from (f"  {line}" for line in words)
        yield ""
        table = self.table.reset_index().to_string(index=False, na_rep="")
        yield from (f"  {line}" for line in table.splitlines())

    def _words(self) -> Iterator[str]:
        yield f"{self.title}, {self.cuts}."
        for row in rows_of(self.to_do):
            yield f"{row.advice[:1].upper()}{row.advice[1:]}: {row.reason}."
        yield from (f"What it costs: {words}." for words in self.costs_in_words)
        yield from (f"Wear: {words}." for words in self.wears)
        rest = self.study.wires.loc[self.study.wires["advice"] == "leave", ["wire", "reason"]]
        if len(rest):
            every = len(rest) == len(self.study.wires)
            many = "All wires" if every else f"The other {len(rest)} wires"
            yield f"{many}: leave; {rest['reason'].iloc[0]}."
        if told := self.told:
            alarm = f"one false alarm in {self.watch.false_alarm:g} loaves"
            yield f"Watched loaf by loaf ({alarm}):"
            yield from (f"{words}." for words in told)
        yield from (f"After the work: {words}." for words in self.serviced)
        if self.study.causes.empty:
            yield "Looked for first: nothing moves all faces of a loaf together."
        for bar in rows_of(self.study.set_aside):
            yield f"Set aside: slot {bar.slot} of {loaf_words(bar.loaf)}, {bar.net} g: {bar.words}."
        yield from (f"Left out: {words}." for words in self.left_out)
        yield f"{self.assumed}."


@dataclass(frozen=True, eq=False, repr=False)
class Cutters:
    """
    The cutters of a works; prints what to do with each.

    Attributes
    ----------
    studied : dict of str to CutterStudy
    refused : dict of str to str
        Cutters that could not be studied, with the reason and what to do.
    services : DataFrame
        The rows of wires.csv up to that day.
    not_used : tuple of str
        Of the works' files, what could not be read and what speaks of another cutter: a line each.
    """

    studied: dict[str, CutterStudy]
    refused: dict[str, str]
    services: pd.DataFrame
    not_used: tuple[str, ...] = ()

    def __getitem__(self, cutter: str) -> CutterStudy:
        if cutter not in self.studied:
            known = ", ".join(name or '""' for name in self.studied) or "none"
            said = "".join(f"; {line}" for line in self.refusals)
            raise ValueError(f"no cutter {cutter!r} was studied; studied are {known}{said}")
        return self.studied[cutter]

    @property
    def lines(self) -> list[str]:
        """One line a cutter, without a full stop."""
        return [*(one.headline for one in self.studied.values()), *self.refusals]

    def findings(self) -> Iterator[Finding]:
        """What there is to do to wires, for a review."""
        for one in self.studied.values():
            for row in rows_of(one.to_do[one.to_do["advice"] != "watch"]):
                yield Finding("wire", "", f"{one.title}: {row.advice}: {row.reason}.")

    @property
    def refusals(self) -> list[str]:
        """Why cutters were not studied, a line each."""
        return [
            f"{f'Cutter {name}'.strip()}: not studied: {why}" for name, why in self.refused.items()
        ]

    def pitches(self) -> Pitches:
        """How taut each wire stands by its plucked notes, wires named with the bars beside them."""
        return pitches(
            self.services, cutters={name: one.study.cutter for name, one in self.studied.items()}
        )

    def to_dict(self) -> dict[str, Any]:
        """The same facts for machines; ``format`` 1."""
        return {
            "format": 1,
            "cutters": [
                one.to_dict() | {"costs": one.costs_in_words} for one in self.studied.values()
            ],
            "refused": [{"cutter": name, "reason": why} for name, why in self.refused.items()],
            "not_used": list(self.not_used),
            "caution": CAUTION,
        }

    def _repr_html_(self) -> str:
        shown = [one._repr_html_() for one in self.studied.values()]
        lines = (*self.refusals, *self.not_used)
        return "".join([*shown, *(f"<p>{html.escape(line)}</p>" for line in lines)])

    def __str__(self) -> str:
        parts = [*map(str, self.studied.values()), *self.refusals]
        parts += ["\n".join(self.not_used)] if self.not_used else []
        return "\n\n".join([*parts, CAUTION] if self.studied else parts)

    __repr__ = __str__


def _rounded(rows: pd.DataFrame) -> pd.DataFrame:
    """Wires for people: in two decimals, with their intervals."""
    shown = rows.set_index("wire")[["between", "loaves"]]
    for words, one in (("off its place, mm", "offset"), ("wander, mm", "wander")):
        ends = zip(rows[f"{one}_lower"], rows[f"{one}_upper"], strict=True)
        shown[words] = (rows[f"{one}_mm"].round(2) + 0.0).to_numpy()
        shown[f"{one} between"] = [
            f"{low:z.2f} and {high:z.2f}" if low == low else "" for low, high in ends
        ]
    return shown


def _records(table: pd.DataFrame) -> list[dict[str, Any]]:
    """A table as plain records, loaves in words."""
    return records(
        table.map(lambda value: loaf_words(value) if isinstance(value, tuple) else value)
    )
