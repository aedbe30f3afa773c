"""The official test of many lots at once, on the caller's own table engine."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any, Final, TypeVar, cast

import numpy as np

from qa_tools.books.limits import EXACT_G, limits
from qa_tools.books.official import conclude, decide, is_direct, too_few
from qa_tools.books.plans import NoPlan
from qa_tools.books.rulebook import RuleBook, rulebook
from qa_tools.readings.quantities import Declaration

if TYPE_CHECKING:
    import narwhals as nw
    import pandas as pd

Table = TypeVar("Table")
_SUMMARY: Final = ("n", "mean_error", "sd", "beyond_t1", "beyond_t2", "lightest")


def judge_lots(
    table: Table,
    books: str | RuleBook | Sequence[str | RuleBook],
    *,
    lot: str = "batch",
    net: str = "net_g",
    declared: float | str = "declared_g",
    lot_size: int | str,
) -> Table:
    """
    The official test of every lot in a table, one row a lot and book.

    Parameters
    ----------
    table : DataFrame of pandas, Polars (eager or lazy) or PyArrow, or DuckDB relation
        One weighing a row.
    books : name, RuleBook, or several of them
    lot, net : str
        The columns that hold the lot, and the net weight in grams.
    declared : number of grams, the label's words, or the name of a column of grams
        A column's name wins over words.
    lot_size : int or str
        Packages in every lot, or the name of the column that says.

    Returns
    -------
    table of the caller's kind
        Columns ``lot`` (named as given), ``book, n, mean_error, sd, beyond_t1, beyond_t2,
        lightest, outcome, reason``, sorted by lot and book. ``outcome`` is as in `judge`, and
        ``"over plan"`` where a lot holds more weighings than an exact plan asks: the summaries
        cannot decide it, `judge` on its rows can.

    Raises
    ------
    ValueError
        A column that is not there, a weight that is missing or not a positive number, a lot whose
        size is missing or not a whole number, or that has two sizes or declared quantities, an
        unknown book, a declaration a book does not cover.

    Notes
    -----
    The summaries are made by the table engine in one pass, and judged with the same comparisons as
    `judge`, boundary cases included.

    Examples
    --------
    >>> import pandas as pd
    >>> bars = [99.6, 101.2, 100.4, 98.9, 102.1, 99.3, 100.8, 97.8, 101.5, 99.9, 95.2, 100.6]
    >>> weights = pd.DataFrame({"batch": "A7", "net_g": bars})
    >>> judge_lots(weights, "ca-crc-417", declared="100 g", lot_size=48)["outcome"].tolist()
    ['accept']
    """
    import narwhals as nw

    given: Any = nw.from_native(cast(Any, table))
    chosen = [books] if isinstance(books, str | RuleBook) else list(books)
    rules = [rulebook(book) if isinstance(book, str) else book for book in chosen]
    columns: list[str] = given.collect_schema().names()
    for column in (lot, net):
        if column not in columns:
            raise ValueError(f"the table has no column {column!r}; it has {', '.join(columns)}")
    by_column = declared in columns
    label = None if by_column else _label(declared)
    first = nw.col(str(declared)) if label is None else nw.lit(float(label.parts[0].grams))
    frame = given.lazy().select(
        nw.col(lot).alias("lot"),
        nw.col(net).cast(nw.Float64).alias("net"),
        first.cast(nw.Float64).alias("declared"),
        _size(lot_size, columns).cast(nw.Float64).alias("lot_size"),
    )
    labels = _labels(frame) if label is None else {float(label.parts[0].grams): label}
    summary = _summarise(frame, rules, labels)
    judged = _judged(summary, rules, labels).rename(columns={"lot": lot})
    return cast(Table, _like(given, judged))


def _label(declared: float | str) -> Declaration:
    if isinstance(declared, str) and not any(letter.isdigit() for letter in declared):
        raise ValueError(f"the table has no column {declared!r} for the declared quantity")
    return Declaration.parse(declared)


def _collected(frame: nw.LazyFrame[Any]) -> pd.DataFrame:
    """A small lazy table as pandas, whatever engine makes it (no Arrow needed)."""
    import pandas as pd

    return pd.DataFrame(frame.collect().to_dict(as_series=False))


def _labels(frame: nw.LazyFrame[Any]) -> dict[float, Declaration]:
    """What each declared number of grams in the table stands for."""
    values = _collected(frame.select("declared").unique())["declared"].to_numpy(float)
    if not (np.isfinite(values) & (values > 0)).all():
        raise ValueError("every row needs a declared quantity above zero, in grams")
    return {float(value): Declaration.parse(float(value)) for value in values}


def _size(lot_size: int | str, columns: Sequence[str]) -> nw.Expr:
    import narwhals as nw

    if not isinstance(lot_size, str):
        return nw.lit(int(lot_size))
    if lot_size not in columns:
        raise ValueError(f"the table has no column {lot_size!r} for the lot size")
    return nw.col(lot_size)


def _summarise(
    frame: nw.LazyFrame[Any],
    rules: Sequence[RuleBook],
    labels: dict[float, Declaration],
) -> pd.DataFrame:
    """One row a lot: its size, spread, and counts beyond each book's limits, by the engine."""
    import narwhals as nw

    flags, sums = [], []
    for i, book in enumerate(rules):
        found = {value: limits(words, book) for value, words in labels.items()}
        for times, cut in ((1, "short_g"), (2, "twice_g")):
            low: nw.Expr = nw.lit(-np.inf)
            for value, limit in found.items():
                edge = nw.lit(getattr(limit, cut) - EXACT_G)
                low = nw.when(nw.col("declared") == value).then(edge).otherwise(low)
            flags.append((nw.col("net") < low).cast(nw.Int64).alias(f"beyond_{i}_{times}"))
            sums.append(nw.col(f"beyond_{i}_{times}").sum())
    usable = nw.col("net").is_finite() & (nw.col("net") > 0)
    summary = _collected(
        frame.with_columns(
            *flags,
            (nw.col("net") - nw.col("declared")).alias("error"),
            (~usable | nw.col("net").is_null()).fill_null(True).cast(nw.Int64).alias("bad"),
            (~nw.col("lot_size").is_finite()).fill_null(True).cast(nw.Int64).alias("unsized"),
        )
        .group_by("lot")
        .agg(
            nw.len().alias("n"),
            nw.col("error").mean().alias("mean_error"),
            nw.col("error").std(ddof=1).alias("sd"),
            nw.col("net").min().alias("lightest"),
            nw.col("declared").min().alias("declared"),
            nw.col("declared").max().alias("declared_max"),
            nw.col("lot_size").min().alias("lot_size"),
            nw.col("lot_size").max().alias("lot_size_max"),
            nw.col("unsized").sum(),
            nw.col("bad").sum(),
            *sums,
        )
        .sort("lot")
    )
    found_bad = summary[summary["bad"] > 0]
    if len(found_bad):
        raise ValueError(
            f"lot {found_bad['lot'].iloc[0]} has {int(found_bad['bad'].iloc[0])} weights that are "
            "missing or not above zero; take them out and say so"
        )
    sizes = summary["lot_size"].to_numpy(float)
    whole = (summary["unsized"].to_numpy(int) == 0) & (sizes >= 1) & (np.mod(sizes, 1) == 0)
    if not whole.all():
        row = summary[~whole].iloc[0]
        raise ValueError(
            f"lot {row['lot']} has {row['lot_size']} packages; give a whole number in every row"
        )
    for column in ("declared", "lot_size"):
        mixed = summary[summary[column] != summary[f"{column}_max"]]
        if len(mixed):
            row = mixed.iloc[0]
            raise ValueError(
                f"lot {row['lot']} has more than one {column.replace('_', ' ')}: "
                f"{row[column]:g} and {row[f'{column}_max']:g}"
            )
    return summary


def _judged(
    summary: pd.DataFrame,
    rules: Sequence[RuleBook],
    labels: dict[float, Declaration],
) -> pd.DataFrame:
    import pandas as pd

    tables = []
    for i, book in enumerate(rules):
        rows = summary.rename(columns={f"beyond_{i}_1": "beyond_t1", f"beyond_{i}_2": "beyond_t2"})
        rows = rows.assign(book=book.name, outcome="", reason="")
        # Errors were taken from the grams in the table; a book may test the other declaration.
        for value, words in labels.items():
            tested = limits(words, book).target_g
            rows.loc[rows["declared"] == value, "mean_error"] -= tested - value
        for at, (outcome, reason) in _outcomes(rows, book):
            rows.loc[at, ["outcome", "reason"]] = outcome, reason
        tables.append(rows[["lot", "book", *_SUMMARY, "outcome", "reason"]])
    joined = pd.concat(tables, ignore_index=True)
    return joined.sort_values(["lot", "book"], kind="stable").reset_index(drop=True)


def _outcomes(rows: pd.DataFrame, book: RuleBook) -> Iterator[tuple[Any, tuple[str, str]]]:
    """The outcome of every row; one plan serves all lots of the same size and number weighed."""
    for key, same in rows.groupby(["lot_size", "n"]):
        size, n = (int(number) for number in cast(tuple[int, int], key))
        if n > size:
            yield (
                same.index,
                ("unsettled", f"{n} weighed of {size} packed: one of the two is wrong"),
            )
            continue
        try:
            plan = book.plan(size, n=n)
        except NoPlan as missing:
            yield same.index, ("unsettled", str(missing))
            continue
        if n < plan.n:
            yield same.index, ("too few", too_few(plan, n))
            continue
        if not is_direct(plan, n):
            reason = f"{n} weighed, the plan takes {plan.n}: judge the weighings themselves"
            yield same.index, ("over plan", reason)
            continue
        passed = decide(
            plan,
            same["mean_error"].to_numpy(float),
            same["sd"].to_numpy(float),
            same["beyond_t1"].to_numpy(int),
            same["beyond_t2"].to_numpy(int),
        )
        each = np.stack(passed)
        for tests in np.unique(each, axis=1).T:
            hit = same.index[(each == tests[:, None]).all(axis=0)]
            yield hit, conclude(plan, *(int(test) for test in tests))


def _like(given: Any, judged: pd.DataFrame) -> Any:
    """The judged lots as the kind of table the caller handed in."""
    import narwhals as nw

    kind = given.implementation
    if kind.is_pandas():
        return judged
    columns = {name: judged[name].tolist() for name in judged.columns}
    if kind.is_polars() or kind.is_pyarrow():
        eager = nw.from_dict(columns, backend=kind)
        lazy = isinstance(given, nw.LazyFrame)
        return (eager.lazy() if lazy else eager).to_native()
    if kind.is_duckdb():
        import duckdb

        return duckdb.from_df(judged)
    raise TypeError(
        f"tables of {kind} are not handed back yet; give a pandas, Polars, PyArrow or DuckDB table"
    )
