"""What was changed in the sheets since they were last logged, told from sorting and adding."""

from __future__ import annotations

from collections import Counter, defaultdict, deque
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import pandas as pd

from qa_tools.readings.corrections import correction_of
from qa_tools.readings.log import COLUMNS, Logged, Rows, logged, readings_of

if TYPE_CHECKING:
    from qa_tools.readings.works import Works

_ROW, _COLUMN, _BATCH = (COLUMNS.index(name) for name in ("row", "column", "batch"))
_UNIT, _VALUE = COLUMNS.index("unit"), COLUMNS.index("value")


class Change(NamedTuple):
    """
    One thing that is not as it was logged.

    `kind` is ``"changed"``, ``"removed"``, ``"appended"``, ``"inserted"``, ``"sorted"``,
    ``"renamed"`` or, of a list beside the weighings, ``"list changed"``. `row` is where the reading
    stands now (0 where it is gone), `row_then` where it stood; of readings appended, inserted or
    sorted there is one entry a sheet, and `was` and `now` say how many. `explained` is the entry of
    actions.csv that records the correction, "" where none does.
    """

    kind: str
    file: str
    sheet: str
    row: int
    row_then: int
    column: str
    batch: str
    was: str
    now: str
    explained: str


# What nobody has to explain: a sheet grows, is put in order, gets a better name.
NORMAL: Final = ("appended", "inserted", "sorted", "renamed")


def changes(works: Works) -> pd.DataFrame:
    """
    What is not as it was when the works was last logged.

    Parameters
    ----------
    works : Works

    Returns
    -------
    DataFrame
        The fields of `Change`; empty where nothing was logged yet, or nothing differs.

    Notes
    -----
    A reading is known again by its batch, time, loaf, slot, id and value, wherever its row stands
    now; what is left over is paired by where its neighbours stand, then by everything but its
    value. So a sheet that was sorted and then edited shows the edit alone. Where readings cannot be
    told apart (same batch, no time, no place) an edit shows, but may be told of another of them.
    """
    before = logged(works.folder)
    found = list(_changes(works, before)) if before.at else []
    return pd.DataFrame(found, columns=Change._fields)


def _changes(works: Works, before: Logged) -> Iterator[Change]:
    hashes = dict(zip(works.files["file"].map(str), works.files["sha256"].map(str), strict=True))
    now = readings_of(works)
    names = {value: file for file, value in hashes.items() if file not in before.files}
    renamed = {
        file: names[value]
        for file, value in before.files.items()
        if file not in hashes and value in names
    }
    for file, other in renamed.items():
        yield Change("renamed", other, "", 0, 0, "", "", file, other, "")
    weights = {file for file, _ in before.rows}
    for file, value in before.files.items():
        if file in weights or file in renamed:
            continue
        if hashes.get(file) != value:
            gone = "changed" if file in hashes else "gone"
            yield Change("list changed", file, "", 0, 0, "", "", "", gone, "")
    for (file, sheet), rows in before.rows.items():
        if file in renamed or hashes.get(file) == before.files.get(file):
            continue
        if file not in hashes:
            yield Change("removed", file, sheet, 0, 0, "", "", str(len(rows)), "", "")
            continue
        for one in compared(rows, now.get((file, sheet), [])):
            explained = correction_of(works.actions, file, sheet, one) if one.row else ""
            yield one._replace(file=file, sheet=sheet, explained=explained)


def compared(then: Rows, now: Rows) -> list[Change]:
    """
    What became of the readings of one sheet.

    Parameters
    ----------
    then, now : list of list
        Readings in the order of `COLUMNS`, by row.

    Examples
    --------
    >>> def row(number, value):
    ...     return [number, "weight", "OH-12", "", "", "", "", "g", value]
    >>> before = [row(2, "118.4"), row(3, "112.4"), row(4, "120.1")]
    >>> after = [row(2, "118.4"), row(3, "121.4"), row(4, "120.1"), row(5, "119.9")]
    >>> [(one.kind, one.row, one.was, one.now) for one in compared(before, after)]
    [('changed', 3, '112.4', '121.4'), ('appended', 5, '', '1')]
    >>> compared(before, [row(2, "112.4"), row(3, "118.4"), row(4, "120.1")])[0].kind
    'sorted'
    """
    place = _same(then, now)
    taken = set(place.values())
    left = deque(at for at in range(len(then)) if at not in place)
    free = {at for at in range(len(now)) if at not in taken}
    moved = [place[at] for at in sorted(place)]
    in_order = moved == sorted(moved)
    edited: dict[int, int] = {}
    _by_all_but_value(then, now, left, free, edited, alone=True)
    if in_order:
        _by_neighbours(then, now, place, left, free, edited)
    _by_all_but_value(then, now, left, free, edited)
    found = [
        change
        for at, to in sorted(edited.items(), key=lambda pair: pair[1])
        for change in _edits(then[at], now[to])
    ]
    found += [
        Change("removed", "", "", 0, then[at][_ROW], then[at][_COLUMN], then[at][_BATCH],
               then[at][_VALUE], "", "")
        for at in sorted(set(range(len(then))) - place.keys() - edited.keys())
    ]  # fmt: skip
    last = max([*place.values(), *edited.values()], default=-1)
    for kind, new in (
        ("inserted", [at for at in free if at < last]),
        ("appended", [at for at in free if at > last]),
    ):
        if new:
            first = now[min(new)]
            found.append(Change(kind, "", "", first[_ROW], 0, "", "", "", str(len(new)), ""))
    if not in_order:
        found.append(Change("sorted", "", "", 0, 0, "", "", "", str(len(moved)), ""))
    return found


def _same(then: Rows, now: Rows) -> dict[int, int]:
    """Where each reading that is there unchanged stands now; equal ones keep their order."""
    groups: dict[tuple[Any, ...], tuple[list[int], list[int]]] = defaultdict(lambda: ([], []))
    for side, some in enumerate((then, now)):
        for at, row in enumerate(some):
            groups[_about(row)][side].append(at)
    found: dict[int, int] = {}
    for before, after in groups.values():
        many = min(len(before), len(after))
        rows = {then[at][_ROW] for at in before} & {now[at][_ROW] for at in after}
        mine = _first(before, many, {at for at in before if then[at][_ROW] in rows})
        there = _first(after, many, {at for at in after if now[at][_ROW] in rows})
        found.update(zip(mine, there, strict=True))
    return found


def _first(places: list[int], many: int, before_others: set[int]) -> list[int]:
    """So many of some places, in order; those that still stand in the same row before others."""
    return sorted(sorted(places, key=lambda at: at not in before_others)[:many])


def _about(row: list[Any]) -> tuple[Any, ...]:
    """All a reading says but where it stands; a unit is part of it only where it is known."""
    return (row[_COLUMN], *row[_BATCH:_UNIT], row[_VALUE])


def _by_neighbours(
    then: Rows,
    now: Rows,
    place: dict[int, int],
    left: deque[int],
    free: set[int],
    edited: dict[int, int],
) -> None:
    """Pair what stands between the same neighbours as before, in order, while as many are there."""
    gaps: dict[tuple[int, int], list[int]] = defaultdict(list)
    for at in left:
        above = max((one for one in place if one < at), default=-1)
        below = min((one for one in place if one > at), default=len(then))
        gaps[above, below].append(at)
    for (above, below), mine in gaps.items():
        start = place[above] + 1 if above >= 0 else 0
        end = place[below] if below < len(then) else len(now)
        there = [at for at in range(start, end) if at in free]
        if below == len(then):  # at the end more may have been added
            there = there[: len(mine)]
        if len(there) == len(mine):
            for at, to in zip(mine, there, strict=True):
                edited[at] = to
                free.discard(to)
    for at in [at for at in left if at in edited]:
        left.remove(at)


def _by_all_but_value(
    then: Rows,
    now: Rows,
    left: deque[int],
    free: set[int],
    edited: dict[int, int],
    *,
    alone: bool = False,
) -> None:
    """Pair what says the same of itself but for its value, in order; or only what is alone so."""
    places: dict[tuple[Any, ...], deque[int]] = defaultdict(deque)
    for at in sorted(free):
        places[_about(now[at])[:-1]].append(at)
    mine = Counter(_about(then[at])[:-1] for at in left)
    for at in list(left):
        about = _about(then[at])[:-1]
        there = places[about]
        if there and (not alone or len(there) == mine[about] == 1):
            edited[at] = there.popleft()
            free.discard(edited[at])
            left.remove(at)


def _edits(was: list[Any], now: list[Any]) -> Iterator[Change]:
    """One change for each thing that a reading says otherwise; the value first."""
    for at in (_VALUE, *range(_COLUMN, _VALUE)):
        if was[at] != now[at] and not (at == _UNIT and "" in (was[at], now[at])):
            column = now[_COLUMN] if at == _VALUE else COLUMNS[at]
            yield Change("changed", "", "", now[_ROW], was[_ROW], column, now[_BATCH],
                         str(was[at]), str(now[at]), "")  # fmt: skip


def in_words(change: Change) -> str:
    """
    A change as a sentence.

    Examples
    --------
    >>> in_words(Change("changed", "weights/oct.xlsx", "", 41, 41, "w", "OH-1", "1", "2", ""))
    'oct.xlsx row 41 was 1, now 2; no correction recorded'
    """
    file = change.file.rsplit("/", 1)[-1] + (f", sheet {change.sheet}" if change.sheet else "")
    if change.kind == "changed":
        other = change.column if change.column in COLUMNS[_BATCH:_VALUE] else ""
        where = f"{file} row {change.row}" + (f", {other}," if other else "")
        moved = f" (then row {change.row_then})" if change.row_then != change.row else ""
        done = f"corrected ({change.explained})" if change.explained else "no correction recorded"
        return f"{where} was {change.was or 'empty'}{moved}, now {change.now or 'empty'}; {done}"
    if change.kind == "removed" and not change.row_then:
        return f"{file}: gone, with the {change.was} readings that were in it when last logged"
    if change.kind == "removed":
        return (
            f"{file} row {change.row_then}: {change.was} was there when it was last logged and is "
            "not any more; no correction recorded"
        )
    many = {
        "appended": f"{change.now} added at the end",
        "inserted": f"{change.now} put in between, from row {change.row} on",
        "sorted": "its rows stand in another order",
        "renamed": f"was called {change.was}",
        "list changed": f"{change.now} since it was last logged",
    }
    return f"{file}: {many[change.kind]}"
