"""One entry more in actions.csv: a hold, a release, a correction; what is there stays as it is."""

from __future__ import annotations

import csv
import datetime as dt
import difflib
import io
import os
import re
import secrets
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from qa_tools.readings.answers import names_of_row
from qa_tools.readings.corrections import amount
from qa_tools.readings.dates import day_words, readings_of
from qa_tools.readings.headings import TABLES, folded, heading
from qa_tools.readings.lists import list_named
from qa_tools.readings.tables import codec_of

if TYPE_CHECKING:
    from qa_tools.readings.works import Works

FILE: Final = "actions.csv"
COLUMNS: Final = tuple(TABLES["actions"]["columns"])
_FORMULA: Final = ("=", "+", "-", "@")
_KEY: Final = re.compile(r"(.*?)(\d+)")


def record_action(
    works: Works,
    what: str,
    *,
    by: str,
    batch: str = "",
    reason: str = "",
    when: str | dt.date | None = None,
    cause: str = "",
    approved_by: str = "",
    checked_on: str | dt.date | None = None,
    closes: str = "",
    reading: str = "",
    old: str = "",
    new: str = "",
) -> str:
    """
    Add one entry to actions.csv; every other byte of the file stays as it is.

    Parameters
    ----------
    works : Works
        A folder; its actions.csv is begun where there is none.
    what : str
        ``"hold"``, ``"release"``, ``"rework"``, ``"scrap"``, ``"withdraw"``, ``"correction"``, ...
    by : str
        Who did it.
    batch, reason, cause, approved_by, closes : str
        `closes` is the id of an earlier entry that this one ends.
    when, checked_on : str or date, optional
        When it was done (today when not given), and when it was seen to have worked.
    reading, old, new : str
        Of a correction: ``"row 41 of oct.xlsx"``, what it shows, and what it should be. The sheet
        is left as it is; the new value is used from now on.

    Returns
    -------
    str
        The id of the entry.

    Raises
    ------
    ValueError
        The works is one workbook (add the row there), nobody is named, the batch or the entry to
        close is not known, a held batch is released without a reason, a correction does not say of
        which reading, from what, to what and why, or a text could be taken for a formula.

    Notes
    -----
    A record's first entry stays readable, a correction says why, and is signed and dated: as good
    manufacturing practice has it (ISO 22716:2007, 17.3.4).
    """
    given = {
        "what": what, "by": by, "batch": batch, "reason": reason, "cause": cause,
        "approved_by": approved_by, "closes": closes, "reading": reading, "old": old, "new": new,
    }  # fmt: skip
    entry = {name: " ".join(str(text).split()) for name, text in given.items()}
    entry["when"] = _day(when or dt.date.today(), works)
    entry["checked_on"] = "" if checked_on is None else _day(checked_on, works)
    path = _file(works.folder)
    before = path.read_bytes() if path.exists() else b""
    earlier = _earlier(works, path)
    _check(works, earlier, entry)
    entry["id"] = _next(earlier["id"])
    _replace(path, _with(before, entry) if before.strip() else _begun(entry))
    return entry["id"]


def _day(day: str | dt.date, works: Works) -> str:
    if isinstance(day, dt.date):
        return pd.Timestamp(day).date().isoformat()
    possible = readings_of(day)
    settings = works.settings.set_index("name")["value"]
    order = str(settings.get("date order", "")).casefold()
    found = {possible[order]} if order in possible else set(possible.values())
    if len(found) != 1:
        told = " or ".join(day_words(one) for one in sorted(found))
        raise ValueError(f"{day!r} is {told or 'no date'}; write it as 2026-10-26")
    return found.pop().date().isoformat()


def _earlier(works: Works, path: Path) -> pd.DataFrame:
    """The entries there are, with those made since the works was read."""
    from qa_tools.readings.folder import contents
    from qa_tools.readings.weighings import read_lists

    own = read_lists(contents([path])).of["actions"] if path.exists() else works.actions
    known = [table for table in (works.actions, own) if len(table)]
    return pd.concat(known).drop_duplicates() if known else own


def _check(works: Works, earlier: pd.DataFrame, entry: Mapping[str, str]) -> None:
    for name in ("what", "by"):
        if not entry[name]:
            raise ValueError(f"an action needs {name}: " + _NEEDED[name])
    for name, text in entry.items():
        if strange := next((char for char in text if not char.isprintable()), ""):
            raise ValueError(f"{name} holds {strange!r}, which no table shows: leave it out")
        if text.startswith(_FORMULA) and not re.fullmatch(r"[+-]?[\d.,]+", text):
            raise ValueError(f"{name} begins with {text[0]}, and a spreadsheet would take it for a "
                             "formula: begin it with a word")  # fmt: skip
    known = sorted({*works.batches["batch"], *works.weighings.table["batch"]} - {""})
    if entry["batch"] and entry["batch"] not in known:
        near = difflib.get_close_matches(entry["batch"], known, n=1)
        raise ValueError(f'there is no batch "{entry["batch"]}"'
                         + (f'; is "{near[0]}" meant?' if near else ""))  # fmt: skip
    ids = set(earlier["id"]) - {""}
    if entry["closes"] and entry["closes"] not in ids:
        raise ValueError(f'no entry of {FILE} is called "{entry["closes"]}", and none is closed')
    what = entry["what"].casefold()
    held = earlier[earlier["batch"] == entry["batch"]]
    was_held = held["what"].str.strip().str.casefold().str.startswith(("hold", "on hold", "held"))
    if what.startswith("release"):
        if not entry["batch"]:
            raise ValueError("a release needs the batch that is released")
        if was_held.any() and not entry["reason"]:
            raise ValueError(f"{entry['batch']} was held: say why it is released (reason)")
    if entry["reading"] or entry["old"] or entry["new"]:
        lacking = [name for name in ("reading", "old", "new", "reason") if not entry[name]]
        if lacking:
            raise ValueError(f"a correction of a reading also needs {', '.join(lacking)}")
        if not re.match(r"row \d+ ", entry["reading"].casefold()):
            raise ValueError(f'"{entry["reading"]}" is no reading: write "row 41 of oct.xlsx"')
        _of_one_reading(works, earlier, entry)


def _of_one_reading(works: Works, earlier: pd.DataFrame, entry: Mapping[str, str]) -> None:
    """Refuse a correction of a reading that is not there, or shows neither value."""
    called, written = folded(entry["reading"]), works.weighings.written
    row = int(re.findall(r"\d+", called)[0])
    found = [
        at
        for at in np.flatnonzero(written.row == row).tolist()
        if called in names_of_row(row, written.column[at], written.file[at], written.sheet[at])
    ]
    if len(found) != 1:
        many = f"is {len(found)} weighings" if found else "is no weighing that was read"
        raise ValueError(f'"{entry["reading"]}" {many}: write "row 41 of oct.xlsx", or in a wide '
                         'sheet "row 41 w3 of oct.xlsx"')  # fmt: skip
    shown = str(written.value[found[0]])
    values = [shown, *earlier.loc[earlier["reading"].map(folded) == called, "new"]]
    if not {amount(entry["old"]), amount(entry["new"])} & set(map(amount, values)):
        raise ValueError(f'{entry["reading"]} shows {shown}, neither {entry["old"]} nor '
                         f'{entry["new"]}')  # fmt: skip


_NEEDED: Final = {
    "what": "hold, release, rework, scrap, withdraw or correction",
    "by": "the name or initials of who did it",
}


def _file(folder: Path) -> Path:
    """The list of actions of a works."""
    if folder.is_file():
        raise ValueError(
            f"{folder.name} is one workbook, and nothing is written into it: add a row to its "
            f"sheet of actions ({', '.join(COLUMNS)})"
        )
    lists = [path for path in sorted(folder.iterdir()) if path.is_file()]
    mine = [path for path in lists if list_named(path.stem) == "actions"]
    if not mine:
        return folder / FILE
    if len(mine) > 1 or mine[0].suffix.casefold() != ".csv":
        raise ValueError(
            f"actions are kept in {', '.join(path.name for path in mine)}: add the row there, for "
            "only one CSV file is written to"
        )
    return mine[0]


def _next(ids: pd.Series[str]) -> str:
    """The id after the last one, in the same pattern; A-01 where there is none."""
    found = [(int(key[2]), key[1], len(key[2])) for one in ids if (key := _KEY.fullmatch(one))]
    number, begins, width = max(found, default=(0, "A-", 2))
    return f"{begins}{number + 1:0{width}}"


def _begun(entry: Mapping[str, str]) -> bytes:
    """A new list, with the columns it can have."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    writer.writerow([entry.get(name, "") for name in COLUMNS])
    return out.getvalue().encode()


def _with(before: bytes, entry: Mapping[str, str]) -> bytes:
    """The file with one row more; a column is added to its headings only where it is needed."""
    codec = codec_of(before)
    text = before.decode(codec, "replace").removeprefix("\ufeff")
    end = "\r\n" if "\r\n" in text else "\n"
    first = text.splitlines()[0]
    delimiter = max(",;\t", key=first.count)
    headings = next(csv.reader([first], delimiter=delimiter))
    columns = [heading(cell, "actions").column for cell in headings]
    if "what" not in columns:
        raise ValueError(f"{FILE}: its first row is not its headings; add the row by hand")
    lacking = [name for name, cell in entry.items() if cell and name not in columns]
    head, added = first.encode(codec), "".join(delimiter + name for name in lacking).encode(codec)
    out = io.StringIO(newline="")
    row = [entry.get(name, "") for name in (*columns, *lacking)]
    csv.writer(out, delimiter=delimiter, lineterminator=end).writerow(row)
    gap = "" if text.endswith(("\n", "\r")) else end
    try:
        new = (gap + out.getvalue()).encode(codec)
    except UnicodeEncodeError as fault:
        raise ValueError(
            f"{FILE} is not saved as UTF-8 and cannot hold {fault.object[fault.start]!r}: save it "
            "so, or write it otherwise"
        ) from None
    after = before.replace(head, head + added, 1) + new
    read = list(csv.reader(io.StringIO(after.decode(codec), newline=""), delimiter=delimiter))
    if read[-1] != row:
        raise ValueError(f"{FILE}: a quotation mark is not closed, and would swallow a new row: "
                         "mend it first")  # fmt: skip
    return after


def _replace(path: Path, data: bytes) -> None:
    """The file with new content, whole or not at all."""
    new = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    try:
        with new.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        if path.exists():
            shutil.copymode(path, new)
        os.replace(new, path.resolve())  # of a link, what it points to
    finally:
        new.unlink(missing_ok=True)
