"""What was changed in the sheets since they were last logged, told from sorting and adding."""

from __future__ import annotations

from bisect import bisect, bisect_left
from collections import Counter, defaultdict, deque
from collections.abc import Iterator
from difflib import SequenceMatcher
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import pandas as pd

from qa_tools.readings.corrections import correction_of
from qa_tools.readings.log import COLUMNS, Logged, Rows, logged, readings_of, states

if TYPE_CHECKING:
    from qa_tools.readings.works import Works

_ROW, _COLUMN, _BATCH = (COLUMNS.index(name) for name in ("row", "column", "batch"))
_UNIT, _VALUE = COLUMNS.index("unit"), COLUMNS.index("value")
# So many pairs of equal readings are looked through for the order they had: a second or so. Beyond
# (tens of thousands of rows without batch, time or id) only those in their old rows count as kept.
_PAIRS: Final = 5_000_000


class Change(NamedTuple):
    """
    One thing that is not as it was logged.

    `kind` is ``"changed"``, ``"removed"``, ``"unread"`` (it cannot be read now), ``"appended"``,
    ``"inserted"``, ``"sorted"``, ``"renamed"`` (a file, a sheet, a heading) or, of a list beside
    the weighings, ``"list changed"``. `row` is where the reading stands now (0 where it is gone),
    `row_then` where it stood; of readings appended, inserted or sorted there is one entry a sheet,
    and `was` and `now` say how many. `explained` is the entry of actions.csv that records the
    correction, "" where none does.
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
    A reading is known again by its batch, time, loaf, slot, id and value: first in the order the
    rows had, then wherever its row stands now; what is left over is paired by where its neighbours
    stand, then by everything but its value. So a sheet that was sorted and then edited shows the
    edit alone. Where readings cannot be told apart (same batch, no time, no place) an edit shows,
    but may be told of another of them.
    """
    before = logged(works.folder)
    found = list(_changes(works, before, _now(works))) if before.at else []
    return pd.DataFrame(found, columns=Change._fields)


def ever_changed(works: Works) -> pd.DataFrame:
    """
    What was not as before each time the works was logged, and what is not as logged now.

    A change is told by `changes` until the works is logged again; here it stays.

    Returns
    -------
    DataFrame
        `logged` (the time of the log that first has it; "" where none has it yet) and the fields
        of `Change`.
    """
    found: list[tuple[Any, ...]] = []
    before = Logged()
    for state in states(works.folder):
        if before.at:
            found += [(state.at, *one) for one in _changes(works, before, state)]
        before = state
    if before.at:
        found += [("", *one) for one in _changes(works, before, _now(works))]
    return pd.DataFrame(found, columns=["logged", *Change._fields])


def _now(works: Works) -> Logged:
    """A works as it would be logged now."""
    files = dict(zip(works.files["file"].map(str), works.files["sha256"].map(str), strict=True))
    return Logged(at="now", files=files, rows=readings_of(works))


def _changes(works: Works, before: Logged, now: Logged) -> Iterator[Change]:
    unread = set(works.unread["file"])
    there = _places(before, now)
    weights = {file for file, _ in (*before.rows, *now.rows)}
    new = {value: file for file, value in now.files.items() if file not in before.files}
    for file, value in before.files.items():
        if file in weights or now.files.get(file) == value:
            continue
        if file not in now.files and value in new:
            yield Change("renamed", new[value], "", 0, 0, "", "", file, new[value], "")
        else:
            gone = "changed" if file in now.files else "gone"
            yield Change("list changed", file, "", 0, 0, "", "", "", gone, "")
    for (file, sheet), rows in before.rows.items():
        if (file, sheet) not in there:
            if file in before.files and rows:
                said = f"{file}, sheet {sheet}" if sheet else file
                kind = "unread" if {file, said} & unread else "removed"
                yield Change(kind, file, sheet, 0, 0, "", "", str(len(rows)), "", "")
            continue
        place = there[file, sheet]
        if place != (file, sheet):
            was, called = _called(file, sheet, place[0]), _called(*place, file)
            yield Change("renamed", *place, 0, 0, "", "", was, called, "")
        if now.files[place[0]] == before.files.get(file):
            continue
        for one in compared(rows, now.rows[place]):
            explained = correction_of(works.actions, *place, one) if one.row else ""
            yield one._replace(file=place[0], sheet=place[1], explained=explained)


def _called(file: str, sheet: str, beside: str) -> str:
    """What a sheet is called: by its own name where its file has kept its name."""
    return f"sheet {sheet}" if sheet and file == beside else file


Place = tuple[str, str]


def _places(before: Logged, now: Logged) -> dict[Place, Place]:
    """Where the readings of each sheet stand now: as it is called, or where half of them are."""
    here = {place for place in now.rows if place[0] in now.files}
    strange = [place for place in here if place not in before.rows or place[0] not in before.files]
    strange = sorted(place for place in strange if now.rows[place])
    found: dict[Place, Place] = {}
    for place, rows in before.rows.items():
        if place in here and now.files[place[0]] == before.files.get(place[0]):
            found[place] = place
            continue
        if place[0] not in before.files:  # gone earlier, and told then
            if place in here:
                found[place] = place
            continue
        shares = {place: _common(rows, now.rows[place])} if place in here else {}
        if not shares or 2 * shares[place] < len(rows):
            shares |= {other: _common(rows, now.rows[other]) for other in strange
                       if other not in found.values()}  # fmt: skip
        best = max(shares, key=lambda other: shares[other], default=None)
        if best is not None and best != place and 2 * shares[best] < len(rows):
            best = None
        if best is not None or place in here:
            found[place] = best or place
    return found


def _common(then: Rows, now: Rows) -> int:
    """How many readings of one sheet are in another, in whatever order."""
    return (Counter(map(_about, then)) & Counter(map(_about, now))).total()


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
    >>> compared(before, [row(2, "120.1"), row(3, "118.4"), row(4, "112.4")])[0].kind
    'sorted'
    """
    heads = _renamed_heads(then, now)
    found = [Change("renamed", "", "", 0, 0, head, "", was, head, "")
             for was, head in heads.items()]  # fmt: skip
    if heads:
        then = [[row[_ROW], heads.get(row[_COLUMN], row[_COLUMN]), *row[_BATCH:]] for row in then]
        then.sort(key=lambda row: (row[_ROW], row[_COLUMN]))
    steady = _in_order(then, now)
    place = steady | _moved(then, now, steady)
    is_sorted = len(place) > len(steady)
    taken = set(place.values())
    left = [at for at in range(len(then)) if at not in place]
    free = {at for at in range(len(now)) if at not in taken}
    edited = _by_all_but_value(then, now, left, free, alone=True)
    if 2 * len(steady) >= len(place):
        edited |= _by_neighbours(then, now, steady, left, free, edited)
    edited |= _by_all_but_value(then, now, [at for at in left if at not in edited], free)
    found += [
        change
        for at, to in sorted(edited.items(), key=lambda pair: pair[1])
        for change in _edits(then[at], now[to])
    ]
    found += [
        Change("removed", "", "", 0, then[at][_ROW], then[at][_COLUMN], then[at][_BATCH],
               then[at][_VALUE], "", "")
        for at in left if at not in edited
    ]  # fmt: skip
    last = max([*place.values(), *edited.values()], default=-1)
    for kind, new in (
        ("inserted", [at for at in free if at < last]),
        ("appended", [at for at in free if at > last]),
    ):
        if new:
            first = now[min(new)]
            found.append(Change(kind, "", "", first[_ROW], 0, "", "", "", str(len(new)), ""))
    if is_sorted:
        many = str(len(place) - len(steady))
        found.append(Change("sorted", "", "", 0, 0, "", "", "", many, ""))
    return found


def _renamed_heads(then: Rows, now: Rows) -> dict[str, str]:
    """The headings of weights that read otherwise now, where as many went as came."""
    before, after = (dict.fromkeys(row[_COLUMN] for row in some) for some in (then, now))
    gone = [head for head in before if head not in after]
    new = [head for head in after if head not in before]
    return dict(zip(gone, new, strict=True)) if len(gone) == len(new) else {}


def _in_order(then: Rows, now: Rows) -> dict[int, int]:
    """Where each reading that is there unchanged, in the order it had, stands now."""
    one, other = ([_about(row) for row in some] for some in (then, now))
    first = 0
    while first < min(len(one), len(other)) and one[first] == other[first]:
        first += 1
    last = 0
    while last < min(len(one), len(other)) - first and one[-1 - last] == other[-1 - last]:
        last += 1
    found = {at: at for at in range(first)}
    found |= {len(one) - at: len(other) - at for at in range(1, last + 1)}
    a, b = (some[first : len(some) - last] for some in (one, other))
    middle = {at: at for at, (x, y) in enumerate(zip(a, b, strict=False)) if x == y}
    many = Counter(b)
    if sum(many[x] for x in a) < _PAIRS:
        blocks = SequenceMatcher(None, a, b, autojunk=False).get_matching_blocks()
        aligned = {block.a + n: block.b + n for block in blocks for n in range(block.size)}
        middle = max(middle, aligned, key=len)  # of as many, those that still stand where they did
    return found | {first + at: first + to for at, to in middle.items()}


def _moved(then: Rows, now: Rows, steady: dict[int, int]) -> dict[int, int]:
    """Where the readings that are there unchanged, in another order, stand now."""
    taken = set(steady.values())
    there: dict[tuple[Any, ...], deque[int]] = defaultdict(deque)
    for at, row in enumerate(now):
        if at not in taken:
            there[_about(row)].append(at)
    return {
        at: places.popleft()
        for at, row in enumerate(then)
        if at not in steady and (places := there.get(_about(row)))
    }


def _about(row: list[Any]) -> tuple[Any, ...]:
    """All a reading says but where it stands; a unit is part of it only where it is known."""
    return (row[_COLUMN], *row[_BATCH:_UNIT], row[_VALUE])


def _by_neighbours(
    then: Rows,
    now: Rows,
    steady: dict[int, int],
    left: list[int],
    free: set[int],
    edited: dict[int, int],
) -> dict[int, int]:
    """Pair what stands between the same neighbours as before, in order, while as many are there."""
    anchors = sorted(steady)
    gaps: dict[int, list[int]] = defaultdict(list)
    for at in left:
        if at not in edited:
            gaps[bisect(anchors, at)].append(at)
    places = sorted(free)
    found: dict[int, int] = {}
    for gap, mine in gaps.items():
        start = steady[anchors[gap - 1]] + 1 if gap else 0
        end = steady[anchors[gap]] if gap < len(anchors) else len(now)
        there = places[bisect_left(places, start) : bisect_left(places, end)]
        if gap == len(anchors):  # at the end more may have been added
            there = there[: len(mine)]
        if len(there) == len(mine):
            found |= zip(mine, there, strict=True)
    free -= set(found.values())
    return found


def _by_all_but_value(
    then: Rows, now: Rows, left: list[int], free: set[int], *, alone: bool = False
) -> dict[int, int]:
    """Pair what says the same of itself but for its value, in order; or only what is alone so."""
    places: dict[tuple[Any, ...], deque[int]] = defaultdict(deque)
    for at in sorted(free):
        places[_about(now[at])[:-1]].append(at)
    mine = Counter(_about(then[at])[:-1] for at in left)
    found: dict[int, int] = {}
    for at in left:
        about = _about(then[at])[:-1]
        there = places[about]
        if there and (not alone or len(there) == mine[about] == 1):
            found[at] = there.popleft()
    free -= set(found.values())
    return found


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
    if change.kind == "unread":
        return f"{file}: cannot be read now; {change.was} readings were in it when last logged"
    if change.kind == "renamed" and change.column:
        return f"{file}: heading {change.now} was {change.was}"
    many = {
        "appended": f"{change.now} added at the end",
        "inserted": f"{change.now} put in between, from row {change.row} on",
        "sorted": "its rows stand in another order",
        "renamed": f"was called {change.was}",
        "list changed": f"{change.now} since it was last logged",
    }
    return f"{file}: {many[change.kind]}"
