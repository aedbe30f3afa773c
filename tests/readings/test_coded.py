import datetime as dt

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from qa_tools.readings.coded import Coded, Stamps

CELLS = st.lists(st.sampled_from(["", "a", "b", 1.0, 2.5, dt.datetime(2026, 10, 2)]), max_size=30)


def cells(column: Coded) -> list[object]:
    return [column[row] for row in range(len(column))]


@given(CELLS, CELLS)
def test_a_coded_column_holds_what_it_was_made_of(one: list[object], other: list[object]) -> None:
    first, second = Coded.of(one), Coded.of(other)
    assert cells(first) == one
    assert cells(Coded.joined([first, second])) == one + other
    assert len(set(Coded.joined([first, second]).values)) == len(set(map(repr, one + other)))
    assert first.is_filled().tolist() == [cell != "" for cell in one]
    assert cells(first.map(str)) == [str(cell) for cell in one]
    assert cells(first.map(str).distinct().take(slice(1, None))) == [str(c) for c in one][1:]


@given(st.lists(st.tuples(st.sampled_from(["", "a", "b"]), st.sampled_from(["", "x"])), min_size=1))
def test_filled_takes_the_other_where_it_is_empty(pairs: list[tuple[str, str]]) -> None:
    one, other = (Coded.of(column) for column in zip(*pairs, strict=True))
    assert cells(one.filled(other)) == [left or right for left, right in pairs]
    assert list(one.filled(other).texts()) == [left or right for left, right in pairs]


def test_dates_kept_as_they_are() -> None:
    stamps = np.array(["NaT", "2026-10-02T08:15", "2026-10-03"], "datetime64[ns]")
    column = Stamps(np.arange(3), ["when"], stamps)
    assert cells(column) == ["when", dt.datetime(2026, 10, 2, 8, 15), dt.datetime(2026, 10, 3)]
    assert column.where(lambda cell: isinstance(cell, str)).tolist() == [True, False, False]
    assert column.take(slice(1, None)).is_filled().all()
