"""The cutters of a works: bars weighed as cut, spacing, services and numbering from its files."""

from __future__ import annotations

import datetime as dt
import html
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from qa_tools.decisions.wires.cutter import ENDS
from qa_tools.decisions.wires.pitch import Pitches, pitches
from qa_tools.decisions.wires.study import WireStudy, study
from qa_tools.decisions.wires.tension import CAUTION
from qa_tools.decisions.wires.watch import WireWatch, watch
from qa_tools.decisions.wires.words import (
    loaf_words,
    row_of,
    rows_of,
    served_since,
    signal_words,
    since_words,
)
from qa_tools.readings.answers import CUTTER_ENDS, CUTTER_NUMBERS
from qa_tools.readings.dates import day_words
from qa_tools.readings.headings import folded

if TYPE_CHECKING:
    import plotly.graph_objects as go

    from qa_tools.readings.works import Works

NUMBERS: Final = ("not counted", "counted")
# A bar pulled after the cut shows what the wires did as well as any other.
_CUT_ALL_THE_SAME: Final = ("pulled", "rework", "retained")


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
        How ends and numbering were taken, and where to say otherwise.
    left_out : tuple of str
        Bars and services that could not be used, each with the reason.
    """

    name: str
    cuts: str
    study: WireStudy
    watch: WireWatch
    watched: WireStudy
    assumed: str
    left_out: tuple[str, ...]

    @property
    def title(self) -> str:
        """The cutter in a sentence."""
        return f"Cutter {self.name}".strip()

    @property
    def to_do(self) -> pd.DataFrame:
        """What to do, causes common to all wires first: columns advice, wire and reason."""
        rows: list[tuple[str, Any, str]] = [
            ("look first", pd.NA, cause.words) for cause in rows_of(self.study.causes)
        ]
        now = {
            signal.wire: f"; {since_words(self.watched, signal)}"
            for signal in self._signals
            if signal.still and not served_since(self.watched, signal)
        }
        for advice in ("retension", "move", "watch"):
            for row in rows_of(self.study.wires[self.study.wires["advice"] == advice]):
                since = "" if advice == "watch" else now.get(row.wire, "")
                rows.append((advice, row.wire, f"{row.reason}{since}"))
        return pd.DataFrame(rows, columns=["advice", "wire", "reason"]).astype({"wire": "Int64"})

    @property
    def table(self) -> pd.DataFrame:
        """One row a wire, rounded: where it stands and how it wanders, with intervals, advice."""
        return _rounded(self.study.wires).assign(advice=self.study.wires["advice"].to_numpy())

    @property
    def serviced(self) -> pd.DataFrame:
        """The same before and after each service, of the wires that had one."""
        history = self.watched.history
        rows = history[history["wire"].duplicated(keep=False)]
        ends = {"from": rows["since"].map(loaf_words), "to": rows["until"].map(loaf_words)}
        return _rounded(rows).assign(**{name: words.to_numpy() for name, words in ends.items()})

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
            "false_alarm_loaves": self.watch.false_alarm,
            "causes": _records(self.study.causes),
            "set_aside": _records(self.study.set_aside),
            "base_mm": _plain(self.study.base_mm),
            "noise_g": _plain(self.study.noise_g),
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
        rest = self.study.wires.loc[self.study.wires["advice"] == "leave", ["wire", "reason"]]
        if len(rest):
            many = "All wires" if self.to_do.empty else f"The other {len(rest)} wires"
            yield f"{many}: leave; {rest['reason'].iloc[0]}."
        if told := self.told:
            alarm = f"one false alarm in {self.watch.false_alarm:g} loaves"
            yield f"Watched loaf by loaf ({alarm}):"
            yield from (f"{words}." for words in told)
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
    """

    studied: dict[str, CutterStudy]
    refused: dict[str, str]
    services: pd.DataFrame

    def __getitem__(self, cutter: str) -> CutterStudy:
        return self.studied[cutter]

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
            "cutters": [one.to_dict() for one in self.studied.values()],
            "refused": [{"cutter": name, "reason": why} for name, why in self.refused.items()],
            "caution": CAUTION,
        }

    def _repr_html_(self) -> str:
        shown = [one._repr_html_() for one in self.studied.values()]
        return "".join([*shown, *(f"<p>{html.escape(line)}</p>" for line in self.refusals)])

    def __str__(self) -> str:
        parts = [*map(str, self.studied.values()), *self.refusals]
        return "\n\n".join([*parts, CAUTION] if self.studied else parts)

    __repr__ = __str__


def of_works(works: Works, cutter: str | None = None, *, until: dt.date | None = None) -> Cutters:
    """
    Which wire of each cutter of a works is slack or stands off its place, since when, what to do?

    Parameters
    ----------
    works : Works
        From `read_works`. Of use: weighings of the stage "cut" with loaf and slot; of products.csv
        cutter, spacing_mm and bars_per_loaf; wires.csv; of settings.csv "ends of cutter C1"
        ("both trimmed" or "from a stop") and "end wires of cutter C1" ("not counted" or "counted").
        Where settings.csv says nothing, both ends are taken as trimmed, and end wires as not
        counted.
    cutter : str, optional
        Only this one.
    until : date, optional
        The last day to know of; all when not given.

    Returns
    -------
    Cutters

    Raises
    ------
    ValueError
        No bar was weighed as cut with its loaf and slot, or none on this cutter.

    Notes
    -----
    Products cut at the same spacing are studied together, for the density of each loaf is free.

    A wire for which the watch gave a signal that lasts is judged by the loaves after it: those
    before would water down its wander, or make wander of a move, and those that gave the signal had
    a part in choosing the wire.

    Examples
    --------
    >>> found = of_works(getfixture("demo_works"))
    >>> found["C1"].to_do[["advice", "wire"]].values.tolist()
    [['move', 2]]
    """
    day = None if until is None else pd.Timestamp(until)
    loaves = cut_loaves(works, day)
    if not loaves:
        raise ValueError(
            "no bar was weighed as cut with its loaf and slot: write a loaf to a row (slot1, "
            'slot2, ...) or the columns loaf and slot, and the stage "cut"'
        )
    if cutter is not None and cutter not in loaves:
        raise ValueError(
            f"no bar was weighed as cut on the cutter {cutter!r}; there are "
            f"{', '.join(name or '(none named)' for name in loaves)}"
        )
    studied, refused = dict[str, CutterStudy](), dict[str, str]()
    for name, bars in loaves.items():
        if cutter in (None, name):
            try:
                studied[name] = _studied(works, name, bars, len(loaves) == 1, day)
            except ValueError as reason:
                refused[name] = str(reason)
    return Cutters(studied, refused, _until(works.wires, day))


def cut_loaves(works: Works, until: pd.Timestamp | None = None) -> dict[str, pd.DataFrame]:
    """The bars weighed as cut, by cutter, that have a loaf and a slot; "" where none is named."""
    table = works.weighings.table
    made = works.batches.groupby("batch")["made_on"].min()
    bars = table[(table["stage"] == "cut") & (table["loaf"] != "") & table["slot"].notna()]
    bars = bars[bars["judged"] | bars["fate"].isin(_CUT_ALL_THE_SAME)]
    of_product = works.products.drop_duplicates("product").set_index("product")
    bars = bars.assign(
        when=bars["when"].fillna(pd.to_datetime(bars["batch"].map(made.to_dict()))),
        cutter=bars["cutter"].where(
            bars["cutter"] != "", bars["product"].map(of_product["cutter"].to_dict()).fillna("")
        ),
        spacing_mm=bars["product"].map(of_product["spacing_mm"].to_dict()).astype(float),
        bars=bars["product"].map(of_product["bars_per_loaf"].to_dict()).astype("Int64"),
    )
    bars = _until(bars, until)
    bars.index = pd.Index([f"{row} of {file}" for row, file in zip(bars["row"], bars["file"])])  # noqa: B905
    return {str(name): rows for name, rows in bars.groupby("cutter")}


def _until(table: pd.DataFrame, until: pd.Timestamp | None) -> pd.DataFrame:
    """What is dated up to the end of a day, or not dated."""
    if until is None:
        return table
    return table[table["when"].isna() | (table["when"] < until.normalize() + pd.Timedelta(days=1))]


def _studied(
    works: Works, name: str, bars: pd.DataFrame, only: bool, until: pd.Timestamp | None
) -> CutterStudy:
    """One cutter studied, watched, and studied again with each wire since it changed."""
    spacing = _spacing(bars)
    ends, counted, assumed = _said(works.settings, name)
    bars, left_out = _dated(bars)
    services, unplaced = _services(works, name, only, until)
    bars = bars.drop(columns=[one for one in ("when",) if bars["when"].isna().all()])
    if bars["bars"].isna().any():
        bars = bars.drop(columns="bars")

    def study_since(served: pd.DataFrame) -> WireStudy:
        return study(
            bars,
            spacing_mm=spacing,
            ends=ends,
            services=served,
            net="net_g",
            end_wires_counted=counted,
        )

    watched = study_since(services)
    found = watch(watched)
    changed = pd.DataFrame(_changes(watched, found), columns=["wire", "loaf"])
    since = study_since(pd.concat([services, changed])) if len(changed) else watched
    since = replace(since, wires=_at_least_watched(since, watched, found))
    return CutterStudy(
        name=name,
        cuts=_cuts(bars, spacing, since),
        study=since,
        watch=found,
        watched=watched,
        assumed=assumed,
        left_out=tuple(left_out + unplaced),
    )


def _changes(watched: WireStudy, found: WireWatch) -> Iterator[tuple[int, Any]]:
    """Where the history of a wire that changed begins anew: wire and loaf."""
    labels = watched.fit.loaves.labels
    for signal in rows_of(found.signals):
        if signal.still and not served_since(watched, signal):
            after = min(row_of(watched, signal.loaf) + 1, len(labels) - 1)
            yield signal.wire, signal.since
            yield signal.wire, labels[after]


def _at_least_watched(since: WireStudy, watched: WireStudy, found: WireWatch) -> pd.DataFrame:
    """The wires, none left alone that gave a signal which lasts."""
    wires = since.wires.copy()
    for signal in rows_of(found.signals):
        if signal.still and not served_since(watched, signal):
            row = wires.index[wires["wire"] == signal.wire][0]
            if wires.at[row, "advice"] in ("leave", "watch"):
                many = f"too little, or too few loaves since ({wires.at[row, 'loaves']})"
                wires.loc[row, ["advice", "reason"]] = [
                    "watch",
                    f"{signal_words(watched, signal)}: {many}, to turn a peg for",
                ]
    return wires


def _spacing(bars: pd.DataFrame) -> float:
    """The one spacing of a cutter."""
    if products := _listed(bars.loc[bars["spacing_mm"].isna(), "product"]):
        raise ValueError(
            f"products.csv gives no spacing_mm for {products}: write how far apart the wires stand"
        )
    widths = sorted(bars["spacing_mm"].unique())
    if len(widths) > 1:
        listed = "; ".join(
            f"{width:g} mm for {_listed(bars.loc[bars['spacing_mm'] == width, 'product'])}"
            for width in widths
        )
        raise ValueError(
            f"its wires stand at several spacings ({listed}): they are as many sets of wires, so "
            "give each a name of its own as cutter in the weights, products.csv and wires.csv"
        )
    return float(widths[0])


def _listed(products: pd.Series[str]) -> str:
    return ", ".join(name or "bars of no product" for name in products.unique())


def _said(settings: pd.DataFrame, name: str) -> tuple[str, bool, str]:
    """Ends and numbering of a cutter, and a sentence that says where they come from."""
    answers = {folded(row.name_): (row.name_, row.value) for row in _named(settings)}
    taken, words = [], []
    for kind, known in ((CUTTER_ENDS, ENDS), (CUTTER_NUMBERS, NUMBERS)):
        asked = f"{kind} {name}".strip()
        said, value = answers.get(folded(asked), ("", known[0]))
        if value.strip().casefold() not in known:
            raise ValueError(
                f'settings.csv: the value "{value}" of "{said}" is not understood; write '
                f"{' or '.join(known)}"
            )
        taken.append(value.strip().casefold())
        source = "as settings.csv says" if said else f'else write "{asked}", "{known[1]}"'
        words.append(f"{'ends' if kind == CUTTER_ENDS else 'end wires'} {taken[-1]} ({source})")
    by = "" if all("as settings" in one for one in words) else " in settings.csv"
    return taken[0], taken[1] == NUMBERS[1], f"Taken{by and ' as usual'}: {', '.join(words)}{by}"


def _named(settings: pd.DataFrame) -> Iterator[Any]:
    return rows_of(settings.rename(columns={"name": "name_"}))


def _dated(bars: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """The bars in an order of time: all without a day, or only those with one."""
    undated = bars["when"].isna()
    if undated.all() or not undated.any():
        return bars, []
    return bars[~undated], [f"{undated.sum()} bars without a day, as others have one"]


def _services(
    works: Works, name: str, only: bool, until: pd.Timestamp | None
) -> tuple[pd.DataFrame, list[str]]:
    """The services of a cutter that can be placed; those of no cutter where there is only one."""
    wires = _until(works.wires, until)
    mine = wires[(wires["cutter"] == name) | ((wires["cutter"] == "") & only)].drop(
        columns="cutter"
    )
    placed = mine["when"].notna() & mine["wire"].notna()
    lost = int((~placed).sum())
    words = f"{lost} row{'s' if lost > 1 else ''} of wires.csv without a wire or a day"
    return mine[placed], [words] if lost else []


def _cuts(bars: pd.DataFrame, spacing: float, found: WireStudy) -> str:
    """What the cutter cuts, and the loaves studied."""
    loaves = found.fit.loaves
    span = f"{len(loaves.bars)} loaves"
    if loaves.when is not None:
        first, last = (day_words(loaves.when.iloc[at]) for at in (0, -1))
        span += f" of {first}" if first == last else f" from {first} to {last}"
    return f"{_listed(bars['product'])}, {found.cutter.bars} bars of {spacing:g} mm, {span}"


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
    """A table as plain records: missing as None, numbers rounded, loaves in words."""
    return [
        {str(name): _plain(value, str(name)) for name, value in row.items()}
        for row in table.to_dict("records")
    ]


def _plain(value: Any, name: str = "") -> Any:
    if isinstance(value, tuple):
        return loaf_words(value)
    if pd.isna(value):
        return None
    if isinstance(value, float):
        return round(float(value), 4) + 0.0
    if isinstance(value, bool | str):
        return value
    return int(value)
