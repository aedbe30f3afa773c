"""The cutters of a works: bars weighed as cut, spacing, services and numbering from its files."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator
from dataclasses import asdict, replace
from typing import Any, Final

import numpy as np
import pandas as pd

from qa_tools.books.limits import limits
from qa_tools.decisions.wires import WireStudy, WireWatch, advise, study, watch
from qa_tools.decisions.wires.cutter import ENDS
from qa_tools.decisions.wires.services import KNOWN
from qa_tools.decisions.wires.words import lasting, row_of, rows_of, signal_words
from qa_tools.evidence.costs import pace
from qa_tools.evidence.cutter import Cutters, CutterStudy, Terms
from qa_tools.evidence.labelled import judges_of
from qa_tools.evidence.spacing import unfit
from qa_tools.readings.answers import CUTTER_ENDS, CUTTER_NUMBERS
from qa_tools.readings.dates import day_words
from qa_tools.readings.headings import folded
from qa_tools.readings.weighings import answers_of
from qa_tools.readings.works import Works

NUMBERS: Final = ("not counted", "counted")
# A bar pulled after the cut shows what the wires did as well as any other.
_CUT_ALL_THE_SAME: Final = ("pulled", "rework", "retained")


def cutters(works: Works, cutter: str | None = None, *, until: dt.date | None = None) -> Cutters:
    """
    Which wire of each cutter of a works is slack or stands off its place, since when, what to do?

    Parameters
    ----------
    works : Works
        From `read_works`. Of use: weighings of the stage "cut" with loaf and slot; of products.csv
        cutter, spacing_mm and bars_per_loaf; wires.csv; of settings.csv "ends of cutter C1"
        ("both trimmed" or "from a stop") and "end wires of cutter C1" ("not counted" or "counted").
        Where settings.csv says nothing, both ends are taken as trimmed, and end wires as not
        counted. Where labels.csv says what a bar must hold, advice goes by the strictest of its
        books; loss and cost come from products.csv, the pace from batches.csv.
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
    >>> found = cutters(getfixture("demo_works"))
    >>> found["C1"].to_do[["advice", "wire"]].values.tolist()
    [['move', 2]]
    """
    day = None if until is None else pd.Timestamp(until)
    loaves = cut_loaves(works, day)
    if not loaves:
        none = (
            "no bar was weighed as cut with its loaf and slot: write a loaf to a row (slot1, "
            'slot2, ...) or the columns loaf and slot, and the stage "cut"'
        )
        raise ValueError("\n".join([none, *_not_read(works)]))
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
    strange = _strange(works, list(loaves)) if cutter is None else []
    return Cutters(studied, refused, _until(works.wires, day), (*strange, *_not_read(works)))


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
    bars.index = pd.Index(bars["row"].astype(str) + " of " + bars["file"])
    return {str(name): rows for name, rows in bars.groupby("cutter")}


def _not_read(works: Works) -> list[str]:
    """The files and the cells of lists that could not be read, with what to do."""
    return [
        f"Not read: {one.file}: expected {one.expected}; found {one.found}. {one.to_do}"
        for one in rows_of(works.unread)
    ]


def _strange(works: Works, cutters: list[str]) -> list[str]:
    """What wires.csv and settings.csv say of cutters on which no bar was weighed as cut."""
    others = [name for name in works.wires["cutter"].unique() if name and name not in cutters]
    lines = [f'wires.csv, cutter "{name}": no bar was weighed as cut on it' for name in others]
    if len(cutters) > 1 and (works.wires["cutter"] == "").any():
        lines.append(f"rows of wires.csv without a cutter: there are {', '.join(cutters)}")
    kinds = tuple(folded(kind) for kind in (CUTTER_ENDS, CUTTER_NUMBERS))
    known = {f"{kind} {folded(name)}".strip() for name in cutters for kind in kinds}
    lines += [
        f'settings.csv, "{answer.name}": no bar was weighed as cut on it'
        for folded_name, answer in answers_of(works.settings).given.items()
        if folded_name.startswith(kinds) and folded_name not in known
    ]
    return [f"Not used: {line}" for line in lines]


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
    bars, left_out = _usable(bars)
    services, unplaced = _services(works, name, only, until)
    if bars["bars"].isna().any():
        bars = bars.drop(columns="bars")
    else:
        _refuse_beyond(bars)
    terms = _terms(works, bars)
    misfits = [asdict(cause) for cause in unfit(bars, works.products)]

    def study_since(served: pd.DataFrame) -> WireStudy:
        found = study(
            bars,
            spacing_mm=spacing,
            ends=ends,
            services=served,
            net="net_g",
            end_wires_counted=counted,
        )
        causes = [*misfits, *found.causes.to_dict("records")]
        found = replace(found, causes=pd.DataFrame(causes, columns=found.causes.columns))
        if terms is None:
            return found
        return advise(found, terms.label, terms.books, loss_percent=terms.loss_percent)

    watched = study_since(services)
    found = watch(watched)
    changed = [{"wire": wire, "loaf": loaf} for wire, loaf in _changes(watched, found)]
    served = pd.DataFrame([*services.to_dict("records"), *changed])
    since = study_since(served) if changed else watched
    return CutterStudy(
        name=name,
        cuts=_cuts(bars, spacing, since),
        study=replace(since, wires=_at_least_watched(since, watched, found)),
        watch=found,
        watched=watched,
        assumed="; ".join([assumed, *_unknown(services)]),
        left_out=tuple(left_out + unplaced),
        terms=terms,
    )


def _changes(watched: WireStudy, found: WireWatch) -> Iterator[tuple[int, Any]]:
    """Where the history of a wire begins anew that changed, and was not knocked: wire and loaf."""
    labels = watched.fit.loaves.labels
    for signal in lasting(watched, found):
        if signal.wire not in set(watched.knocks["wire"]):
            after = min(row_of(watched, signal.loaf) + 1, len(labels) - 1)
            yield signal.wire, signal.since
            yield signal.wire, labels[after]


def _at_least_watched(since: WireStudy, watched: WireStudy, found: WireWatch) -> pd.DataFrame:
    """The wires, none left alone that gave a signal which lasts."""
    wires = since.wires.copy()
    for signal in lasting(watched, found):
        place = signal.wire == wires["wire"]
        if wires.loc[place, "advice"].item() in ("leave", "watch"):
            loaves = wires.loc[place, "loaves"].item()
            many = f"too little, or too few loaves since ({loaves})"
            wires.loc[place, ["advice", "reason"]] = [
                "watch",
                f"{signal_words(watched, signal)}: {many}, to turn a peg for",
            ]
    return wires


def _terms(works: Works, bars: pd.DataFrame) -> Terms | None:
    """What bars must hold and cost, of the product with the least T; None without a label."""
    day: Any = bars["when"].max() if "when" in bars else pd.NaT
    told = [
        (limit, str(product), label)
        for product in bars["product"].unique()
        for book, label in judges_of(works, str(product), day).judges
        if (limit := limits(label, book).tolerance_g)
    ]
    if not told:
        return None
    _, name, label = min(told, key=lambda one: float(one[0]))
    books = {book.name: book for book, of in judges_of(works, name, day).judges if of == label}
    about = works.products[works.products["product"] == name].iloc[0]
    mine = works.batches[works.batches["product"] == name]
    packages = mine["packages"].dropna()
    paced = mine["packed_on"].dt.normalize().nunique() > 1
    return Terms(
        product=name,
        label=label,
        books=tuple(books.values()),
        loss_percent=float(np.nan_to_num(about["typical_loss_percent"])),
        lot_size=int(packages.median()) if len(packages) else None,
        cost_per_kg=float(about["cost_per_kg"]),
        bars_a_month=pace(works, name).packages_a_month if paced else math.nan,
        currency=answers_of(works.settings).general("currency") or "money",
    )


def _spacing(bars: pd.DataFrame) -> float:
    """The one spacing of a cutter."""
    if products := _listed(bars.loc[bars["spacing_mm"].isna(), "product"]):
        raise ValueError(
            f"products.csv gives no spacing_mm for {products}: write how far apart the wires stand"
        )
    widths = sorted(bars["spacing_mm"].unique())
    if not widths[0] > 0:
        products = _listed(bars.loc[bars["spacing_mm"] == widths[0], "product"])
        raise ValueError(
            f"products.csv gives a spacing_mm of {widths[0]:g} for {products}: write millimetres "
            "above 0"
        )
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


def _refuse_beyond(bars: pd.DataFrame) -> None:
    """No loaf has more bars than its product is cut into."""
    beyond = bars[bars["slot"] > bars["bars"]]
    if len(beyond):
        first = beyond.iloc[0]
        raise ValueError(
            f"products.csv gives {first['bars']} bars_per_loaf for {first['product']}, but row "
            f"{beyond.index[0]} has a slot {first['slot']}: correct the one that is wrong"
        )


def _listed(products: pd.Series[str]) -> str:
    return ", ".join(name or "bars of no product" for name in products.unique())


def _said(settings: pd.DataFrame, name: str) -> tuple[str, bool, str]:
    """Ends and numbering of a cutter, and a sentence that says where they come from."""
    given = answers_of(settings).given
    taken, words = [], []
    for kind, known in ((CUTTER_ENDS, ENDS), (CUTTER_NUMBERS, NUMBERS)):
        asked = f"{kind} {name}".strip()
        said, value = given[folded(asked)][:2] if folded(asked) in given else ("", known[0])
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


def _usable(bars: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """The bars nobody has to answer for, in an order of time; and what was left out."""
    doubtful = bars["doubt"] != ""
    bars, left_out = bars[~doubtful], [f"{_bars(doubtful)} in doubt, to be answered for first"]
    undated = bars["when"].isna()
    if undated.all():
        bars = bars.drop(columns="when")
    else:
        bars = bars[~undated]
        left_out.append(f"{_bars(undated)} without a day, as others have one")
    return bars, [words for words in left_out if not words.startswith("0 ")]


def _bars(which: pd.Series[bool]) -> str:
    many = int(which.sum())
    return f"{many} bar{'' if many == 1 else 's'}"


def _services(
    works: Works, name: str, only: bool, until: pd.Timestamp | None
) -> tuple[pd.DataFrame, list[str]]:
    """The services of a cutter that can be placed; those of no cutter where there is only one."""
    wires = _until(works.wires, until)
    mine = wires[(wires["cutter"] == name) | ((wires["cutter"] == "") & only)].drop(
        columns="cutter"
    )
    mine.index = pd.Index([_service_words(row) for row in rows_of(mine)], dtype=object)
    placed = mine["when"].notna() & mine["wire"].notna()
    return mine[placed], [
        f"{words}: give both the wire and the day" for words in mine.index[~placed]
    ]


def _unknown(services: pd.DataFrame) -> list[str]:
    """The services of which nobody knows whether they changed the wire, and how they are taken."""
    unknown = ~services["what"].str.strip().str.casefold().isin(KNOWN)
    return [
        f"{words}: as work that changed the wire (known are {', '.join(KNOWN)}; the last changes "
        "nothing)"
        for words in services.index[unknown]
    ]


def _service_words(row: Any) -> str:
    """A row of wires.csv as messages say it."""
    wire = "no wire" if pd.isna(row.wire) else f"wire {row.wire}"
    day = "without a day" if pd.isna(row.when) else f"on {day_words(row.when)}"
    return " ".join(filter(None, ("wires.csv,", wire, row.what or "serviced", day)))


def _cuts(bars: pd.DataFrame, spacing: float, found: WireStudy) -> str:
    """What the cutter cuts, and the loaves studied."""
    loaves = found.fit.loaves
    span = f"{len(loaves.bars)} loaves"
    if loaves.when is not None:
        first, last = (day_words(loaves.when.iloc[at]) for at in (0, -1))
        span += f" of {first}" if first == last else f" from {first} to {last}"
    return f"{_listed(bars['product'])}, {found.cutter.bars} bars of {spacing:g} mm, {span}"
