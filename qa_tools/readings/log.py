"""The log of what was read: lines that are only ever added, each holding the hash of the last."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import math
import os
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np

from qa_tools.readings.coded import Coded

if TYPE_CHECKING:
    from qa_tools.readings.works import Works

LOG: Final = "readings-log.jsonl"
# What tells a reading again when its row has moved; then what it says, as the sheet shows it.
COLUMNS: Final = ("row", "column", "batch", "when", "loaf", "slot", "id", "unit", "value")
_NUMBER: Final = re.compile(r"\s*(\d+)(?:[.,](\d+))?\s*[A-Za-z]*\s*")
_READ, _READINGS = "read", "readings"
_KEYS: Final = {
    _READ: {"kind", "number", "before", "at", "files"},
    _READINGS: {"kind", "number", "before", "file", "sheet", "sha256", "rows"},
}
Rows = list[list[Any]]


@dataclass
class Logged:
    """
    What the log says was read last.

    Attributes
    ----------
    at : str
        When; "" where nothing was ever logged.
    files : dict of str to str
        The hash of every file that was read then, lists included.
    rows : dict of (str, str) to list
        The readings of each file and sheet of weights, each a list in the order of `COLUMNS`.
    last : str
        The hash of the last line.
    lines : int
    """

    at: str = ""
    files: dict[str, str] = field(default_factory=dict)
    rows: dict[tuple[str, str], Rows] = field(default_factory=dict)
    last: str = ""
    lines: int = 0


def log_path(folder: Path) -> Path:
    """Where the log of a works lies: in its folder; beside it where it is one workbook."""
    return folder.with_name(f"{folder.stem}-{LOG}") if folder.is_file() else folder / LOG


def log_readings(works: Works, at: dt.datetime | None = None) -> Path:
    """
    Add to the log what was read: the hash of every file, and the readings of those that are new.

    Nothing else in the works is written, and no line of the log is ever changed.

    Parameters
    ----------
    works : Works
    at : datetime, optional
        The time that is written; now when not given.

    Returns
    -------
    Path
        The log.

    Raises
    ------
    ValueError
        The log is not whole (`check_chain` says where): then nothing is added to it.
    """
    path = log_path(works.folder)
    before, problems = _read(path)
    if problems:
        raise ValueError(f"{path.name} is not whole, nothing was added: {problems[0]}")
    time = (at or dt.datetime.now(dt.UTC).replace(microsecond=0)).isoformat()
    files = dict(zip(works.files["file"].map(str), works.files["sha256"].map(str), strict=True))
    now = readings_of(works)
    lines = _Lines(before)
    for (file, sheet), rows in now.items():
        if before.files.get(file) != files[file] or (file, sheet) not in before.rows:
            lines.add({"kind": _READINGS, "file": file, "sheet": sheet, "sha256": files[file],
                       "rows": rows})  # fmt: skip
    # the last line says that all before it are there: a work cut off in between counts for nothing
    lines.add({"kind": _READ, "at": time, "files": files})
    _append(path, "".join(lines.texts))
    return path


def _append(path: Path, text: str) -> None:
    torn = path.exists() and path.stat().st_size > 0 and not path.read_bytes().endswith(b"\n")
    with path.open("ab") as file:
        # a line that was cut off stays as it is, and a new one begins after it
        file.write((("\n" if torn else "") + text).encode("ascii"))
        file.flush()
        os.fsync(file.fileno())


class _Lines:
    """New lines, each with its number and the hash of the one before."""

    def __init__(self, before: Logged) -> None:
        self.last, self.number = before.last, before.lines
        self.texts: list[str] = []

    def add(self, facts: Mapping[str, Any]) -> None:
        self.number += 1
        text = json.dumps(
            {"number": self.number, "before": self.last, **facts},
            ensure_ascii=True,
            allow_nan=False,
            separators=(",", ":"),
        )
        self.last = _hash(text)
        self.texts.append(text + "\n")


def _hash(line: str) -> str:
    return hashlib.sha256(line.encode("ascii", "backslashreplace")).hexdigest()


def readings_of(works: Works) -> dict[tuple[str, str], Rows]:
    """
    Every reading of a works by file and sheet, in the order of its rows, as the sheet has it.

    Nothing of what the rules make of it: an answer or a list that changes is no change of a sheet.
    """
    written = works.weighings.written
    when = np.datetime_as_string(written.when, unit="s").tolist()
    columns: list[list[Any]] = [
        written.row.tolist(),
        _cells(written.column),
        _cells(written.batch),
        ["" if one == "NaT" else one.replace("T", " ").removesuffix(" 00:00:00") for one in when],
        _cells(written.loaf),
        ["" if math.isnan(one) else int(one) for one in written.slot.tolist()],
        _cells(written.id),
        _cells(written.unit),
        _cells(written.value.map(_number)),
    ]
    places: dict[tuple[str, str], Rows] = {
        (str(file), str(sheet)): []
        for file, sheet in works.weighings.sources[["file", "sheet"]].itertuples(index=False)
    }
    where = zip(_cells(written.file), _cells(written.sheet), strict=True)
    for place, *row in zip(where, *columns, strict=True):
        places[place].append(row)
    for rows in places.values():
        rows.sort(key=lambda row: (row[0], row[1]))
    return places


def _cells(column: Coded) -> list[str]:
    texts = [str(value) for value in column.values]
    return [texts[code] for code in column.codes.tolist()]


def _number(text: str) -> str:
    """A weight as written; without what its cell is formatted with, where it is one number."""
    found = _NUMBER.fullmatch(text)
    return f"{float(f'{found[1]}.{found[2] or 0}'):.12g}" if found else text


def logged(folder: Path) -> Logged:
    """What the log of a works says was read last; nothing where there is no log."""
    return _read(log_path(folder))[0]


def check_chain(path: Path) -> list[str]:
    """
    What is not whole in a log: every line must hold the hash of the line before it.

    Returns
    -------
    list of str
        A sentence each; empty where the log is whole, or is not there.

    Notes
    -----
    A line that was changed, taken out or put in shows, unless every line after it was made anew;
    then the pack or the backup that holds an older copy shows it.
    """
    return _read(path)[1]


def states(folder: Path) -> Iterator[Logged]:
    """What was read each time a works was logged, the first first."""
    yield from (step.state for step in _steps(log_path(folder)) if step.ends)


def _read(path: Path) -> tuple[Logged, list[str]]:
    state, problems = Logged(), []
    for step in _steps(path):
        state = step.state
        problems += [step.problem] if step.problem else []
    return state, problems


class _Step(NamedTuple):
    """What is known after a line, what is wrong with it, and whether it ends a logging."""

    state: Logged
    problem: str
    ends: bool


def _steps(path: Path) -> Iterator[_Step]:
    state = Logged()
    if not path.is_file():
        return
    pending: dict[tuple[str, str], Rows] = {}
    torn = ""
    for number, text in enumerate(_lines(path), 1):
        try:
            facts = json.loads(text)
            if not _fits(facts):
                raise ValueError("not a line of this log")
        except (ValueError, RecursionError):
            torn = torn or f"line {number} cannot be read"
            continue
        problem = ""
        if facts["before"] != state.last:
            problem = (
                f"line {number} does not follow from the line before it: one was changed, taken "
                "out or put in"
            )
        elif torn and not _cut_off(facts, state):
            problem = torn
        torn = ""
        state = replace(state, last=_hash(text), lines=facts["number"])
        if facts["kind"] == _READINGS:
            pending[facts["file"], facts["sheet"]] = facts["rows"]
            yield _Step(state, problem, False)
            continue
        # a file that was read anew has the sheets it has now; one that is not there keeps its rows,
        # so that an edit shows when it comes back
        anew = {file for file, _ in pending}
        kept = {place: rows for place, rows in state.rows.items() if place[0] not in anew}
        state = replace(state, at=facts["at"], files=facts["files"], rows=kept | pending)
        pending = {}
        yield _Step(state, problem, True)


def _lines(path: Path) -> Iterator[str]:
    text = path.read_bytes().decode("ascii", "replace")
    yield from (line for line in text.split("\n") if line)


def _fits(facts: Any) -> bool:
    if not isinstance(facts, dict) or set(facts) != _KEYS.get(str(facts.get("kind"))):
        return False
    shapes = {"number": int, "files": dict, "rows": list}
    return all(isinstance(value, shapes.get(name, str)) for name, value in facts.items()) and (
        all(isinstance(value, str) for value in facts.get("files", {}).values())
        and all(map(_is_row, facts.get("rows", [])))
    )


def _is_row(row: Any) -> bool:
    return (
        isinstance(row, list)
        and len(row) == len(COLUMNS)
        and type(row[0]) is int
        and all(type(cell) in (int, str) for cell in row)
    )


def _cut_off(facts: Mapping[str, Any], state: Logged) -> bool:
    """Whether a line that cannot be read was one cut off: the next goes on from the one before."""
    return bool(facts["number"] == state.lines + 1)
