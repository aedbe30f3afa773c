"""What lies in a works: which files and sheets are lists, which are weights, which are neither."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from qa_tools.readings.lists import Fault, list_named
from qa_tools.readings.tables import NotATable, Sheet, read_sheets
from qa_tools.readings.tops import heading_score

if TYPE_CHECKING:
    from rich.console import Console

TABLE_ENDINGS: Final = (
    ".csv", ".tsv", ".txt", ".xlsx", ".xlsm", ".xlsb", ".xls", ".ods",
)  # fmt: skip
WEIGHTS: Final = "weights"
# Fewer are read before a bar could be looked at; and a bar is an output that a notebook keeps.
_MANY: Final = 200


@dataclass
class Contents:
    """
    The sheets of a works.

    Attributes
    ----------
    root : Path
    lists : list of (str, Sheet)
        Which list, and the sheet that holds it.
    weights : list of Sheet
    sha256 : dict of str to str
        Of every file that was read, by its name.
    copies : dict of str to str
        Weights files that are byte for byte an earlier one.
    unread : list of Fault
    """

    root: Path
    lists: list[tuple[str, Sheet]] = field(default_factory=list)
    weights: list[Sheet] = field(default_factory=list)
    sha256: dict[str, str] = field(default_factory=dict)
    copies: dict[str, str] = field(default_factory=dict)
    unread: list[Fault] = field(default_factory=list)


def contents(source: Path | Sequence[Path]) -> Contents:
    """
    Read every table of a folder, a file, or several files and folders.

    A file or sheet named as a list (products, batches, ...) is that list; any other is weights,
    as is everything under a folder ``weights``.

    Raises
    ------
    FileNotFoundError
        There is no such file or folder.
    """
    root, files, named = _files(source)
    found = Contents(root)
    same: dict[str, list[str]] = {}
    for path in _with_progress(files):
        name = path.relative_to(root).as_posix()
        under_weights = WEIGHTS in path.relative_to(root).parts[:-1]
        if path.suffix.casefold() not in TABLE_ENDINGS:
            # beside the lists lie notes and pictures of all kinds; among weights they are missed
            if under_weights or path in named:
                found.unread.append(_no_table(name))
            continue
        try:
            data = path.read_bytes()
            sheets = read_sheets(path, name, data, heading_score)
        except NotATable as fault:
            found.unread.append(Fault(name, fault.expected, fault.found, fault.to_do))
            continue
        except OSError as fault:
            found.unread.append(
                Fault(
                    name,
                    "a file that can be opened",
                    fault.strerror or str(fault),
                    "Close it where it is open, or allow it to be read",
                )
            )
            continue
        found.sha256[name] = hashlib.sha256(data).hexdigest()
        holds_weights = False
        for sheet in sheets:
            table = "" if under_weights else list_named(sheet.name) or list_named(path.stem)
            if table:
                found.lists.append((table, sheet))
            else:
                found.weights.append(sheet)
                holds_weights = True
        if holds_weights:
            same.setdefault(found.sha256[name], []).append(name)
    for names in same.values():
        # "slips copy.csv" is the copy, whatever the order of the names
        original = min(names, key=lambda name: (len(name), name))
        found.copies |= {name: original for name in names if name != original}
    return found


def _no_table(name: str) -> Fault:
    ending = name.rsplit(".", 1)[-1] if "." in name else ""
    return Fault(
        name,
        "a table (CSV, XLSX or ODS)",
        f"a file ending in .{ending}" if ending else "a file without an ending",
        "Save the numbers as a table, or keep it elsewhere",
    )


def _files(source: Path | Sequence[Path]) -> tuple[Path, list[Path], set[Path]]:
    """The folder names are relative to, the files in a steady order, those asked for by name."""
    single = isinstance(source, Path)
    places = [source] if isinstance(source, Path) else [Path(one).absolute() for one in source]
    for place in places:
        if not place.exists():
            raise FileNotFoundError(place)
    tops = [str(place if place.is_dir() else place.parent) for place in places]
    root = Path(tops[0] if single else os.path.commonpath(tops or ["."]))
    files = [file for place in places for file in ([place] if place.is_file() else _in(place))]
    return root, list(dict.fromkeys(files)), {place for place in places if place.is_file()}


def _in(folder: Path) -> list[Path]:
    """The files of a folder that are looked at."""
    # where there is a folder of weights, other folders (papers, earlier reports) are left alone
    if (folder / WEIGHTS).is_dir():
        tops = [path for path in folder.iterdir() if path.is_file()]
        paths = [*tops, *(folder / WEIGHTS).rglob("*")]
    else:
        paths = list(folder.rglob("*"))
    return sorted(
        (path for path in paths if path.is_file() and _looked_at(path, folder)),
        key=lambda path: path.relative_to(folder).as_posix(),
    )


def _looked_at(path: Path, root: Path) -> bool:
    parts = path.relative_to(root).parts
    hidden = any(part.startswith((".", "~$", "__")) for part in parts)
    return not hidden and not path.stem.casefold().startswith("readme")


def _with_progress(files: list[Path]) -> Iterable[Path]:
    """The files, with a bar while a terminal or a notebook is watching and there are many."""
    if len(files) < _MANY:
        return files
    from rich.console import Console

    console = Console(stderr=True)
    if console.is_jupyter:
        return _notebook_bar(files)
    return _terminal_bar(files, console) if console.is_terminal else files


def _terminal_bar(files: list[Path], console: Console) -> Iterator[Path]:
    from rich.progress import track

    yield from track(files, description="reading", console=console, transient=True)


def _notebook_bar(files: list[Path]) -> Iterator[Path]:
    # a line of HTML that is written over: rich's own bar needs ipywidgets, which may be missing
    shown: Any = import_module("IPython.display")
    handle = shown.display(shown.HTML(""), display_id=True)
    every = max(1, len(files) // 50)
    for number, path in enumerate(files):
        if number % every == 0:
            bar = f"<progress value='{number}' max='{len(files)}'></progress>"
            handle.update(shown.HTML(f"{bar} reading {number} of {len(files)} files"))
        yield path
    handle.update(shown.HTML(""))
