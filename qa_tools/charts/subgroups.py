"""Readings in subgroups, however they are handed over: checked, laid flat, with their labels."""

from __future__ import annotations

import reprlib
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, NoReturn, TypeAlias, cast

import numpy as np
import numpy.typing as npt
import pandas as pd

from qa_tools.charts.factors import FloatArray, IntArray

SubgroupsLike: TypeAlias = (
    "Mapping[Any, npt.ArrayLike] | Sequence[npt.ArrayLike] | npt.NDArray[Any] | "
    "pd.DataFrame | pd.Series[Any]"
)
ValuesLike: TypeAlias = "npt.ArrayLike | pd.Series[Any]"
# What would work, after what was found instead.
_ROWS: Final = (
    "Subgroups are a list of rows, [[120.1, 121.0], [119.8, 120.4]]; single readings go to "
    "charts.individuals"
)
_ROW: Final = (
    'Give one row of numbers, [120.1, 121.0, 119.8], or a column of a table, table["net_g"]; '
    "subgroups go to charts.mean_range"
)
_TABLE: Final = (
    "A row of a table is taken for a subgroup; where each row is one reading, write "
    'table.set_index("batch")["net_g"]'
)


@dataclass(frozen=True, eq=False)
class Subgroups:
    """
    Readings laid flat, subgroup after subgroup.

    Attributes
    ----------
    values : array of float
        All readings.
    starts, sizes : array of int
        Where each subgroup starts in ``values`` and how many readings it has.
    labels : list of str
        What each subgroup is called.
    each : str
        What a subgroup is: "batch", "day"; "" where the labels say it themselves.
    """

    values: FloatArray
    starts: IntArray
    sizes: IntArray
    labels: list[str]
    each: str

    def part(self, points: slice | IntArray) -> Subgroups:
        """Some of the subgroups, one after another, or those at some places."""
        if isinstance(points, slice):
            if points == slice(0, len(self.labels)):
                return self
            starts, sizes = self.starts[points], self.sizes[points]
            readings = slice(starts[0], starts[-1] + sizes[-1])
            labels = self.labels[points]
            return Subgroups(self.values[readings], starts - starts[0], sizes, labels, self.each)
        values = np.concatenate(
            [self.values[self.starts[at] : self.starts[at] + self.sizes[at]] for at in points]
        )
        labels, sizes = [self.labels[at] for at in points], self.sizes[points]
        return Subgroups(values, _starts(sizes), sizes, labels, self.each)

    def means(self) -> FloatArray:
        """Mean of each subgroup."""
        return np.add.reduceat(self.values, self.starts) / self.sizes

    def ranges(self) -> FloatArray:
        """Heaviest less lightest of each subgroup."""
        heaviest = np.maximum.reduceat(self.values, self.starts)
        return np.asarray(heaviest - np.minimum.reduceat(self.values, self.starts))

    def sds(self) -> FloatArray:
        """Standard deviation (n - 1) of each subgroup; 0 for a single reading."""
        away = self.values - np.repeat(self.means(), self.sizes)
        squares = np.add.reduceat(away * away, self.starts)
        return np.sqrt(squares / np.maximum(self.sizes - 1, 1))


def as_subgroups(data: SubgroupsLike) -> Subgroups:
    """
    Subgroups from what people have at hand, checked.

    Parameters
    ----------
    data : mapping, sequence of 1-D arrays, 2-D array, DataFrame or Series
        A mapping: label -> readings. A 2-D array or DataFrame: a row is a subgroup. A Series:
        readings under the same index value form a subgroup, in order of first appearance.

    Raises
    ------
    ValueError
        No subgroup at all, an empty one, a reading that is missing or not a number.

    Examples
    --------
    >>> batches = as_subgroups({"B1": [120.1, 121.0], "B2": [119.8, 120.4, 120.9]})
    >>> batches.labels, batches.sizes.tolist()
    (['B1', 'B2'], [2, 3])
    """
    if isinstance(data, pd.Series):
        groups = by_label(data)
        if len(groups.sizes) == len(groups.values) > 1:
            raise ValueError(
                "every index value of the Series stands once, so no two readings share a subgroup. "
                'Index the readings by their subgroup, as in table.set_index("batch")["net_g"]; '
                "for single readings use charts.individuals"
            )
    elif isinstance(data, pd.DataFrame):
        labels, each = _labels_of(data.index, "subgroup")
        groups = _from_arrays(data.to_numpy(), labels, each, _TABLE)
    elif isinstance(data, Mapping):
        groups = _from_arrays(data.values(), _words(data.keys()), "")
    elif isinstance(data, Iterable) and not isinstance(data, str):
        rows = data if isinstance(data, np.ndarray) and data.ndim == 2 else list(data)
        groups = _from_arrays(rows, [str(i + 1) for i in range(len(rows))], "subgroup")
    else:
        raise ValueError(f"expected subgroups of readings, found {reprlib.repr(data)}. {_ROWS}")
    if not groups.labels:
        _needs_more(groups)
    return groups


def by_label(data: pd.Series[Any]) -> Subgroups:
    """
    Readings under the same index value as a subgroup, though it be a single one.

    Raises
    ------
    ValueError
        No reading, one without a label, missing or not a number.

    Examples
    --------
    >>> by_label(pd.Series([120.1, 119.8, 121.0], index=["B1", "B2", "B1"])).sizes
    array([2, 1])
    """
    order, sizes, keys = _gathered(data.index)
    values = _as_floats(data, "the readings", _ROWS)
    if order is not None:
        values = values[order]
    labels, each = _labels_of(pd.Index(keys, name=data.index.name), "subgroup")
    groups = Subgroups(values, _starts(sizes), sizes, labels, each)
    if not labels:
        _needs_more(groups)
    return groups


def by_batch(values: ValuesLike, batch: npt.ArrayLike) -> Subgroups:
    """
    Readings with the batch of each, though a batch have a single one.

    Raises
    ------
    ValueError
        Not one row of numbers, none at all, a reading that is missing or without a batch; lengths
        that differ, or columns of a table in different orders.

    Examples
    --------
    >>> by_batch([120.1, 119.8, 121.0], ["B1", "B2", "B1"]).values
    array([120.1, 121. , 119.8])
    """
    readings = _as_floats(values, "the readings", _ROW)
    if isinstance(batch, str) or not isinstance(batch, Iterable):
        raise ValueError(
            "batch is a row with the batch of each reading, or that column of the table; got "
            f"{reprlib.repr(batch)}"
        )
    if isinstance(values, pd.Series) and isinstance(batch, pd.Series):
        one, other = values.index, batch.index
        apart = not one.equals(other) and one.is_unique and other.is_unique
        if apart and len(one) == len(other) and one.isin(other).all():
            raise ValueError(
                "by their index, readings and batches stand in different orders: sort the table "
                "first, then take both columns from it"
            )
    labels = pd.Index(cast("Any", batch), name="batch", tupleize_cols=False)
    if len(labels) != len(readings):
        raise ValueError(
            f"every reading needs its batch: got {len(readings)} readings and {len(labels)} batches"
        )
    return by_label(pd.Series(readings, index=labels))


def as_values(data: ValuesLike) -> tuple[FloatArray, list[str], str]:
    """
    Single readings in time order, their labels, and what a point is called.

    Parameters
    ----------
    data : 1-D array or Series
        The readings. A Series gives its index as labels; otherwise a label is the point's number.

    Raises
    ------
    ValueError
        Not one row of numbers, a reading that is missing, fewer than two.

    Examples
    --------
    >>> as_values([49.6, 47.6])
    (array([49.6, 47.6]), ['1', '2'], 'point')
    """
    values = _as_floats(data, "the readings", _ROW)
    if len(values) < 2:
        raise ValueError(
            f"to tell how readings spread takes two or more, better twenty; got {len(values)}"
        )
    if isinstance(data, pd.Series):
        return values, *_labels_of(data.index, "point")
    return values, [str(i + 1) for i in range(len(values))], "point"


def check_base(groups: Subgroups, spreads: FloatArray) -> None:
    """
    Refuse subgroups that cannot carry limits, by their ranges or standard deviations.

    Raises
    ------
    ValueError
        Fewer than two subgroups with two or more readings, or no difference within any.

    Examples
    --------
    >>> groups = as_subgroups([[120.1, 121.0], [119.8, 120.4]])
    >>> check_base(groups, groups.ranges())
    """
    if (groups.sizes >= 2).sum() < 2:
        _needs_more(groups)
    if not differs(spreads, groups.values):
        raise ValueError(
            "within every subgroup all readings are equal (sd 0), so limits would have no width. "
            "Weigh on a finer scale, or use charts.individuals on one reading a subgroup"
        )


def _needs_more(groups: Subgroups) -> NoReturn:
    raise ValueError(
        "limits need two or more subgroups of two or more readings, better twenty; got "
        f"{len(groups.sizes)}, {(groups.sizes >= 2).sum()} of them with two readings or more. For "
        "single readings use charts.individuals"
    )


def differs(spreads: FloatArray, readings: FloatArray) -> bool:
    """
    Whether any spread is more than what binary fractions leave of equal readings.

    Examples
    --------
    >>> differs(np.array([0.1 + 0.2 - 0.3]), np.array([0.3, 0.1 + 0.2]))
    False
    """
    return bool(spreads.max() > 1e-12 * max(readings.max(), -readings.min()))


def _gathered(index: pd.Index[Any]) -> tuple[IntArray | None, IntArray, Any]:
    """Where to take readings from so that each label's stand together, how many, the labels."""
    if isinstance(index.dtype, np.dtype) and index.dtype.kind in "iu" and len(index):
        numbers = index.to_numpy()
        starts = np.append(0, np.flatnonzero(numbers[1:] != numbers[:-1]) + 1)
        keys = numbers[starts]
        if (keys[1:] > keys[:-1]).all():  # in order: no need to look each reading up
            return None, np.diff(starts, append=len(index)), keys
    try:
        codes, keys = pd.factorize(index)
    except TypeError:
        raise ValueError(
            f"the label of a reading is a word, a number or a date; got {reprlib.repr(index[0])}"
        ) from None
    if (codes < 0).any():
        raise ValueError(
            f"reading {int(np.argmin(codes)) + 1} has no label: every reading needs that of its "
            "subgroup or batch"
        )
    apart = (codes[1:] < codes[:-1]).any()  # a label that comes up again later
    order = np.argsort(codes, kind="stable") if apart else None
    return order, np.bincount(codes).astype(np.int64), keys


def _from_arrays(
    rows: Iterable[Any], labels: list[str], each: str, instead: str = _ROWS
) -> Subgroups:
    if isinstance(rows, np.ndarray) and rows.dtype.kind in "iuf" and np.isfinite(rows).all():
        count, size = rows.shape
        if size:
            sizes = np.full(count, size, dtype=np.int64)
            return Subgroups(rows.ravel().astype(np.float64), _starts(sizes), sizes, labels, each)
    arrays = [
        _as_floats(row, f"{each} {label}".strip(), instead)
        for row, label in zip(rows, labels, strict=True)
    ]
    sizes = np.array([len(array) for array in arrays], dtype=np.int64)
    if not sizes.all():
        raise ValueError(
            f"{each} {labels[int(np.argmin(sizes))]}".strip() + " has no readings; leave it out"
        )
    values = np.concatenate(arrays) if arrays else np.empty(0)
    return Subgroups(values, _starts(sizes), sizes, labels, each)


def _starts(sizes: IntArray) -> IntArray:
    return np.concatenate([[0], np.cumsum(sizes)[:-1]]).astype(np.int64)


def _labels_of(index: pd.Index[Any], fallback: str) -> tuple[list[str], str]:
    if isinstance(index, pd.RangeIndex) and index.name is None:
        return [str(i + 1) for i in range(len(index))], fallback
    names = [str(name).replace("_", " ") for name in index.names if name is not None]
    words = (
        index.strftime("%Y-%m-%d")
        if isinstance(index, pd.DatetimeIndex) and (index == index.normalize()).all()
        else index
    )
    return _words(words), ", ".join(names)


def _words(keys: Iterable[Hashable]) -> list[str]:
    plain = keys.tolist() if isinstance(keys, pd.Index) else keys  # an Index iterates slowly
    return [" ".join(map(str, key)) if isinstance(key, tuple) else str(key) for key in plain]


def _as_floats(data: Any, where: str, instead: str) -> FloatArray:
    """One row of finite numbers, or a ValueError that names the reading and what would work."""
    try:
        # A Series by its own method: numpy's way asks it for names it lacks, which hashes its index
        array = data.to_numpy() if isinstance(data, pd.Series) else np.asarray(data)
    except ValueError:
        raise ValueError(
            f"{where}: expected a row of readings, found rows of unequal length. {instead}"
        ) from None
    if array.ndim != 1:
        found = f"a table of shape {array.shape}" if array.ndim else reprlib.repr(data)
        raise ValueError(f"{where}: expected a row of readings, found {found}. {instead}")
    if array.size == 0:
        return np.empty(0)
    if array.dtype.kind not in "iuf":
        for place, value in enumerate(array.tolist(), start=1):
            if isinstance(value, str | bool) or not (pd.isna(value) or hasattr(value, "__float__")):
                raise ValueError(
                    f"{where}: reading {place} is {value!r}, not a number; give weights as numbers "
                    f"in one unit{f'. {_TABLE}' if instead is _TABLE else ''}"
                )
        array = np.array([np.nan if pd.isna(value) else float(value) for value in array])
    floats = array.astype(np.float64, copy=False)
    if not np.isfinite(floats).any():
        raise ValueError(
            f"{where}: all {len(floats)} are missing or not finite, so there is nothing to chart. "
            "See whether it is the right column, and its weights are numbers"
        )
    if not np.isfinite(floats).all():
        place = int(np.argmin(np.isfinite(floats)))
        raise ValueError(
            f"{where}: reading {place + 1} is missing or not finite ({floats[place]}). "
            f"Leave it out{'' if instead is _ROW else ' (subgroups may differ in size)'}, or weigh "
            "again"
        )
    return floats
