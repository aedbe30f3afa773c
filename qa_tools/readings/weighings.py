"""Weighings: every reading of a works as one tidy table, and those that are not used."""

from __future__ import annotations

import html
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from qa_tools.readings import marks, rules
from qa_tools.readings.answers import Answers, Question
from qa_tools.readings.blocks import Names
from qa_tools.readings.coded import Coded
from qa_tools.readings.dates import day_words
from qa_tools.readings.folder import Contents, contents
from qa_tools.readings.headings import squeezed
from qa_tools.readings.layout import Section, sections
from qa_tools.readings.lists import LISTS, Fault, empty_list, raw_list, tidy
from qa_tools.readings.lives import batch_lives
from qa_tools.readings.quantities import Declaration, unit_of
from qa_tools.readings.records import Records, Written, records
from qa_tools.readings.sift import Sift, joint
from qa_tools.readings.tables import NotATable

COLUMNS: Final = (
    "net_g", "weight", "unit", "step_g", "product", "batch", "stage", "when", "packed_on",
    "loaf", "slot", "cutter", "scale", "by", "picked", "fate", "replaces", "id", "note",
    "weighed", "tare_g", "tare_sd_g", "tare_n", "file", "sheet", "row", "column", "judged",
    "doubt", "remark",
)  # fmt: skip
NOT_USED: Final = (
    "file", "sheet", "row", "column", "value", "reason", "suggestion", "batch", "when",
)  # fmt: skip
UNREAD: Final = ("file", "expected", "found", "to_do", "row")
_SHOWN: Final = 10
QUESTIONS: Final = ("file", "question", "how_to_answer")


class ReadingError(ValueError):
    """
    Nothing usable was found: no such folder or file, or no weight in it that can be used.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "oct.csv"
    >>> _ = path.write_text("batch,weight\\nQ-1,broken\\n")
    >>> try:
    ...     read_weights(path)
    ... except ReadingError as fault:
    ...     print(fault)
    no weight can be used of 1 found in oct.csv
      row 2 of oct.csv, column weight: "broken" is not a number
    """


@dataclass(frozen=True, eq=False, repr=False)
class Weighings:
    """
    The readings of a works.

    Attributes
    ----------
    table : DataFrame
        One used reading a row: net_g (g), weight and unit as read, step_g (the finest step seen,
        g), product, batch, stage, when, packed_on (the first packing day of its batch: the label
        valid then judges it, or where not known the one valid when it was weighed), loaf, slot,
        ..., tare_g and its spread tare_sd_g (g; NaN, not known, where a part was weighed only
        once) from tare_n empties (0 where none was taken off, or the row said its own), where it
        stands (file, sheet, row, column), whether it is judged, a doubt to be settled (what is
        asked, and how to answer), what is pointed out (remark: "cause: detail", the same words
        for the same cause; several are parted by "; ").
    not_used : DataFrame
        One reading a row that could not be used: where it stands, its value as written, the
        reason, a suggestion where there is a plain one, and the batch and day it would be of.
    sources : DataFrame
        One sheet a row: file, sheet, sha256 of the file, rows (readings found), used, not_used
        (rows is always used + not_used), ignored (headings over cells that are not used, as
        '"initials", "shift"'; "" where none).
    unread : DataFrame
        What could not be read: file, expected, found, to_do, and the row of a bad cell (0 for a
        whole file).
    questions : DataFrame
        What only you can answer: file, question, how_to_answer.
    written : Written
        Every reading as its sheet has it, for the log of what was read.

    Examples
    --------
    >>> weighings = getfixture("demo_works").weighings
    >>> weighings.sources["rows"].sum() == len(weighings) + len(weighings.not_used)
    np.True_
    """

    table: pd.DataFrame
    not_used: pd.DataFrame
    sources: pd.DataFrame
    unread: pd.DataFrame
    questions: pd.DataFrame
    written: Written

    def __len__(self) -> int:
        return len(self.table)

    def _facts(self) -> list[tuple[str, str]]:
        table = self.table
        facts = [
            ("readings found", str(int(self.sources["rows"].sum()))),
            ("used", str(len(table))),
            ("not used", str(len(self.not_used))),
            ("in doubt", str(int((table["doubt"] != "").sum()))),
            ("batches", str(table.loc[table["batch"] != "", "batch"].nunique())),
            ("products", str(table.loc[table["product"] != "", "product"].nunique())),
        ]
        if table["when"].notna().any():
            first, last = table["when"].min(), table["when"].max()
            facts.append(("dated", f"{day_words(first)} to {day_words(last)}"))
        if len(self.unread):
            facts.append(("not read", ", ".join(self.unread["file"])))
        if len(self.questions):
            facts.append(("to answer", str(len(self.questions))))
        return facts

    def __str__(self) -> str:
        width = max(len(name) for name, _ in self._facts())
        return "\n".join(f"{name:<{width}}  {value}" for name, value in self._facts())

    __repr__ = __str__

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><th style='text-align:left'>{html.escape(name)}</th>"
            f"<td>{html.escape(value)}</td></tr>"
            for name, value in self._facts()
        )
        return f"<table>{rows}</table>"


def read_weights(
    source: str | PathLike[str] | Sequence[str | PathLike[str]],
    products: pd.DataFrame | None = None,
    *,
    declared: float | str | Declaration | None = None,
    unit: str | None = None,
) -> Weighings:
    """
    Read weighings from a file, a folder, a workbook, or several of them.

    Parameters
    ----------
    source : path or sequence of paths
        CSV, XLSX or ODS. Long form (a weighing a row), wide form (columns w1, w2, ...) or a loaf
        a row (slot1, slot2, ...); what holds for all rows may stand once over the table. In a
        folder, sheets named as a list of the works (products, tare, ...) are taken as such. The
        weights of a single file that names neither batch nor product are one batch, called after
        the file.
    products : DataFrame, optional
        Columns product, and as known name, form, tare parts, ..., declared (the label's words).
    declared : number of grams, text or Declaration, optional
        What the label says ("4.2 oz / 120 g") of products no list of labels speaks of: weights
        above double of it are not used, below half of it in doubt.
    unit : {"g", "kg", "mg", "oz", "lb"}, optional
        Of weights that carry none; grams where nothing says otherwise.

    Returns
    -------
    Weighings

    Raises
    ------
    ReadingError
        No such file or folder, or no readable weights in it.
    ValueError
        `declared` is no declaration, or `unit` no unit of weight.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "oat.csv"
    >>> _ = path.write_text("batch;weight (g)\\nQ-1;118,4\\nQ-1;broken\\nQ-1;4,2 oz\\n")
    >>> weighings = read_weights(path)
    >>> weighings.table["net_g"].round(2).tolist()
    [118.4, 119.07]
    >>> weighings.not_used[["row", "value", "reason"]].values.tolist()
    [[3, 'broken', '"broken" is not a number']]
    """
    place = Path(source) if isinstance(source, str | PathLike) else [Path(one) for one in source]
    found = _contents(place)
    lists = read_lists(found)
    if products is not None:
        lists.of.update(_given(products))
    if declared is not None:
        lists.of["labels"] = _with_label(lists.of["labels"], Declaration.parse(declared))
    lot = place.stem if isinstance(place, Path) and place.is_file() else ""
    return weigh_up(found, lists, lot, unit_of(unit) if unit is not None else "")


def _with_label(labels: pd.DataFrame, declared: Declaration) -> pd.DataFrame:
    """The labels, and one for every product that has none: its product is not named."""
    every = empty_list("labels").reindex(range(1))
    every["product"], every["declared"], every["e_mark"] = "", str(declared), False
    return pd.concat([labels, every], ignore_index=True) if len(labels) else every


def _contents(place: Path | Sequence[Path]) -> Contents:
    try:
        return contents(place)
    except FileNotFoundError as fault:
        raise ReadingError(
            f"there is no file or folder {fault.args[0]}; check the spelling"
        ) from None


def _given(products: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """The lists of products and labels from a table of products handed over."""
    if "product" not in products:
        raise ReadingError('the table of products has no column "product"')
    own = products.reset_index(drop=True)
    given = empty_list("products").reindex(range(len(own)))
    for name, column in given.items():
        if name in own:
            given[name] = own[name].astype(column.dtype)
        elif column.dtype.kind not in "fiM":
            given[name] = ""
    lists = {"products": given.fillna({"product": "", "name": ""})}
    if "declared" in own:
        labels = empty_list("labels").reindex(range(len(own)))
        labels["product"] = own["product"].astype(str)
        labels["declared"] = [str(Declaration.parse(words)) for words in own["declared"]]
        lists["labels"] = labels
    return lists


# ---------------------------------------------------------------- lists


@dataclass(frozen=True)
class Lists:
    """
    The lists of a works.

    Attributes
    ----------
    of : dict of str to DataFrame
        Each list by its name, tidied.
    faults : list of Fault
        What is wrong with them.
    questions : list of (file, question, how to answer)
    decimal_marks, date_orders : set of str
        What they show beyond doubt: it may settle how the weights are to be read.
    """

    of: dict[str, pd.DataFrame]
    faults: list[Fault]
    questions: list[Question]
    decimal_marks: set[str]
    date_orders: set[str]


def read_lists(
    found: Contents,
) -> Lists:
    """The lists of a works, tidied; what is wrong with them, and what must be asked."""
    raws = [raw_list(table, sheet) for table, sheet in found.lists]
    faults = [fault for raw in raws for fault in raw.faults]
    # the settings come first, because they may settle how the others are read
    settings, _ = tidy("settings", [raw for raw in raws if raw.table == "settings"], {}, {})
    answers = answers_of(settings)
    numbers: dict[str, list[Any]] = {}
    days: dict[str, list[Any]] = {}
    for raw in raws:
        numbers.setdefault(raw.sheet.file, []).extend(
            raw.of_kind(("number", "count", "quantity", "grams"))
        )
        days.setdefault(raw.sheet.file, []).extend(raw.of_kind(("date",)))
    decimal, asked = marks.settle_decimal_marks(numbers, answers)
    order, asked_too = marks.settle_date_orders(days, answers)
    lists = {}
    for table in LISTS:
        own = [raw for raw in raws if raw.table == table]
        lists[table], more = tidy(table, own, decimal, order)
        faults += more
    return Lists(lists, faults, [*asked, *asked_too], *marks.marks_and_orders(numbers, days))


def answers_of(settings: pd.DataFrame) -> Answers:
    """The answers in a tidied settings list."""
    return Answers.of(
        (
            str(name),
            str(value),
            str(who),
            "" if pd.isna(when) else pd.Timestamp(when).date().isoformat(),
        )
        for name, value, who, when in settings[["name", "value", "who", "when"]].itertuples(
            index=False
        )
    )


# ---------------------------------------------------------------- weighings


def weigh_up(found: Contents, lists: Lists, lot_by_name: str = "", unit: str = "") -> Weighings:
    """The weighings of what was found, read with the lists of the works."""
    answers = answers_of(lists.of["settings"])
    unread = [*found.unread, *lists.faults]
    parts: list[Section] = []
    names = _names(lists.of)
    for sheet in found.weights:
        try:
            parts += sections(sheet, names, lot_by_name)
        except NotATable as fault:
            place = sheet.file + (f", sheet {sheet.name}" if sheet.name else "")
            unread.append(Fault(place, fault.expected, fault.found, fault.to_do))
    if not any(len(part.rows) for part in parts):
        told = "".join(
            f"\n  {one.file}: expected {one.expected}; found {one.found}. {one.to_do}"
            for one in unread
        )
        raise ReadingError(f"no weights were found in {_called(found)}{told}")
    decimal, asked = _decimal_marks(parts, answers, lists)
    order, asked_too = _date_orders(parts, answers, lists)
    readings = records(parts, decimal, order, answers, unit)
    written = readings.as_written()  # before the rules
    said = {part.file for part in parts if _says_a_unit(part)}
    unitless = {part.file for part in parts} - said
    judged = rules.apply(readings, lists.of, answers, found.copies, unitless)
    products = {*map(str, lists.of["products"]["product"]), *judged.product.values}
    questions = [
        *lists.questions, *asked, *asked_too, *judged.questions,
        *answers.not_understood(found.sha256, products),
    ]  # fmt: skip
    if not judged.open.any():
        raise ReadingError(_none_usable(found, readings, judged, questions))
    return Weighings(
        _used(readings, judged),
        _not_used(readings, judged),
        _sources(parts, readings, judged, found.sha256),
        pd.DataFrame([vars(one) for one in unread], columns=list(UNREAD)).astype(
            dict.fromkeys(UNREAD[:-1], str) | {"row": np.int64}
        ),
        pd.DataFrame(questions, columns=list(QUESTIONS), dtype=str),
        written,
    )  # fmt: skip


def _called(found: Contents) -> str:
    """What was read, as a message says it: the one file, or the folder."""
    files = {*found.sha256, *(one.file for one in found.unread)}
    return files.pop() if len(files) == 1 else f"the folder {found.root.resolve().name}"


def _none_usable(
    found: Contents, readings: Records, judged: Sift, questions: Sequence[Question]
) -> str:
    """Why nothing that was found can be used: the first readings, and what must be answered."""
    shown = range(min(len(readings), _SHOWN))
    lines = [
        f"no weight can be used of {len(readings)} found in {_called(found)}",
        *(
            f"{readings.where(number)}, column {readings.column[number]}"
            f"{_beside(readings.written[number], judged.reason.of[number])}"
            + (f" ({hint})" if (hint := judged.suggestion.of.get(number)) else "")
            for number in shown
        ),
    ]
    if len(readings) > _SHOWN:
        lines.append(f"and {len(readings) - _SHOWN} more")
    return "\n  ".join([*lines, *(f"{question} ({how})" for _, question, how in questions)])


def _beside(written: str, reason: str) -> str:
    """The value as written, where the reason does not begin with it, and the reason."""
    return f": {reason}" if f'"{written}"' in reason else f', "{written}": {reason}'


def _says_a_unit(part: Section) -> bool:
    return any(cell != "" for cell in part.fields["unit"].values)


def _names(lists: Mapping[str, pd.DataFrame]) -> Names:
    products = lists["products"]
    return Names(
        tuple(map(str, lists["batches"]["batch"].unique())),
        tuple(map(str, products["product"])),
        tuple(
            (str(name), str(key))
            for name, key in zip(products["name"], products["product"], strict=True)
            if name
        ),
    )


def _decimal_marks(
    parts: Sequence[Section], answers: Answers, lists: Lists
) -> tuple[dict[str, str | None], list[Question]]:
    numbers: dict[str, list[Any]] = {}
    for part in parts:
        numbers.setdefault(part.file, []).extend(part.cells.values)
        numbers[part.file].extend(part.fields["tare"].values)
    return marks.settle_decimal_marks(numbers, answers, lists.decimal_marks)


def _date_orders(
    parts: Sequence[Section], answers: Answers, lists: Lists
) -> tuple[dict[str, str], list[Question]]:
    written: dict[str, list[Any]] = {}
    pairs: dict[str, set[tuple[str, str]]] = {}
    for part in parts:
        written.setdefault(part.file, []).extend(part.fields["when"].values)
    lives = batch_lives(lists.of["batches"], lists.of["products"])
    by_name = {squeezed(name): life for name, life in lives.items()}

    def batch_days(file: str) -> set[tuple[str, str]]:
        if file not in pairs:
            pairs[file] = {
                (str(batch), str(day))
                for part in parts
                if part.file == file
                for batch, day in _distinct_pairs(part.fields["batch"], part.fields["when"])
            }
        return pairs[file]

    def suits(file: str, order: str) -> bool:
        """Whether all dates, read in this order, lie within the lives of their batches."""
        inside = []
        for batch, text in batch_days(file):
            begins, ends = lives.get(batch) or by_name.get(squeezed(batch), (pd.NaT, pd.NaT))
            day = marks.date_of(text, order)
            if day is None or pd.isna(begins):
                continue
            inside.append(begins <= day and (pd.isna(ends) or day <= ends + pd.Timedelta(days=1)))
        return bool(inside) and all(inside)

    return marks.settle_date_orders(written, answers, suits, lists.date_orders)


def _distinct_pairs(one: Coded, other: Coded) -> list[tuple[Any, Any]]:
    many = max(len(other.values), 1)
    codes = np.unique(one.codes.astype(np.int64) * many + other.codes)
    return [(one.values[code // many], other.values[code % many]) for code in codes.tolist()]


def _used(found: Records, judged: Sift) -> pd.DataFrame:
    out = judged.reason.about()
    used: Any = np.flatnonzero(~out) if out.any() else slice(None)
    same: dict[str, Any] = {}

    def text(column: Coded) -> Any:
        chosen = column.take(used)
        if len(chosen.values) > 1:
            return chosen.texts()
        # many columns say the same in every row: made once, then handed out as copies
        word = chosen.values[0]
        if word not in same:
            same[word] = chosen.texts()
        return same[word].copy()

    slot = found.slot[used]
    columns = {
        "net_g": judged.net_g[used],
        "weight": found.weight[used],
        "unit": text(found.unit),
        "step_g": found.step[used],
        "product": text(judged.product),
        "batch": text(judged.batch),
        "stage": text(judged.stage),
        "when": judged.when[used],
        "packed_on": judged.packed[used].astype("datetime64[ns]"),
        "slot": pd.arrays.IntegerArray(np.nan_to_num(slot).astype(np.int64), np.isnan(slot)),
        "weighed": text(judged.weighed),
        "tare_g": judged.tare[used],
        "tare_sd_g": judged.tare_sd[used],
        "tare_n": judged.tare_n[used],
        "file": text(found.file),
        "sheet": text(found.sheet),
        "row": found.row[used].astype(np.int64),
        "column": text(found.column),
        "judged": judged.judged[used],
        "doubt": text(judged.doubt.texts()),
        "remark": text(judged.remark.texts()),
    }
    for name in ("loaf", "cutter", "scale", "by", "picked", "fate", "replaces", "id", "note"):
        columns[name] = text(found.texts[name])
    # no copy: the columns were made for this table
    return pd.DataFrame({name: columns[name] for name in COLUMNS}, copy=False)


def _not_used(found: Records, judged: Sift) -> pd.DataFrame:
    out = np.flatnonzero(judged.reason.about())
    return pd.DataFrame(
        {
            "file": found.file.take(out).texts(),
            "sheet": found.sheet.take(out).texts(),
            "row": found.row[out].astype(np.int64),
            "column": found.column.take(out).texts(),
            "value": found.written.take(out).texts(),
            "reason": judged.reason.texts().take(out).texts(),
            "suggestion": judged.suggestion.texts().take(out).texts(),
            "batch": judged.batch.take(out).texts(),
            "when": judged.day[out].astype("datetime64[ns]"),
        }
    )


def _sources(
    parts: Sequence[Section], found: Records, judged: Sift, sha256: Mapping[str, str]
) -> pd.DataFrame:
    """Every sheet of weights with its readings, also one that holds none."""
    many = len(found.sheet.values)
    place = joint(found.file, found.sheet)
    rows = np.bincount(place, minlength=len(found.file.values) * many)
    lost = np.bincount(place[judged.reason.about()], minlength=len(rows))
    file_code = {file: code for code, file in enumerate(found.file.values)}
    sheet_code = {sheet: code for code, sheet in enumerate(found.sheet.values)}
    ignored: dict[tuple[str, str], dict[str, None]] = {}
    for part in parts:
        ignored.setdefault((part.file, part.sheet), {}).update(dict.fromkeys(part.ignored))
    sheets = list(ignored)
    codes = [file_code[file] * many + sheet_code[sheet] for file, sheet in sheets]
    return pd.DataFrame(
        {
            "file": pd.Series([file for file, _ in sheets], dtype=str),
            "sheet": pd.Series([sheet for _, sheet in sheets], dtype=str),
            "sha256": pd.Series([sha256[file] for file, _ in sheets], dtype=str),
            "rows": rows[codes].astype(np.int64),
            "used": (rows - lost)[codes].astype(np.int64),
            "not_used": lost[codes].astype(np.int64),
            "ignored": pd.Series(
                [", ".join(f'"{one}"' for one in heads) for heads in ignored.values()], dtype=str
            ),
        }
    )
