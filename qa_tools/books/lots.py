"""The official test of many lots at once, on the caller's own table engine."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import cache, partial
from importlib import import_module
from typing import TYPE_CHECKING, Any, Final, NamedTuple, TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from qa_tools.books.limits import EXACT_G, Limits, above, limits
from qa_tools.books.official import (
    ALREADY,
    FAILS,
    PASSES,
    already_failed,
    conclude,
    decide,
    holds_both,
    is_direct,
    too_few,
)
from qa_tools.books.plans import NoPlan, SamplingPlan, refuse_test, whole_number
from qa_tools.books.rulebook import RuleBook, each_rulebook
from qa_tools.readings.quantities import Declaration

if TYPE_CHECKING:
    import narwhals as nw

Table = TypeVar("Table")
_ENGINES: Final = ("pandas", "polars", "pyarrow", "duckdb", "dask", "pyspark")
_ANSWER: Final = (
    *("book", "n", "mean_error", "sd", "beyond_t1", "beyond_t2", "lightest", "heaviest"),
    *("outcome", "reason", "from_memory"),
)
_SAID: Final = {"lot_size": "lot size", "declared": "declared quantity"}  # columns of every row
_CUTS: Final = ("short_g", "twice_g")
_ORDERED: Final = ("pandas", "polars", "duckdb", "pyspark")  # those that rank within a lot


def judge_lots(
    table: Table,
    books: str | RuleBook | Sequence[str | RuleBook],
    *,
    lot: str = "batch",
    net: str = "net_g",
    declared: float | str = "declared_g",
    lot_size: int | str,
    test: str = "non-destructive",
    order: str | None = None,
) -> Table:
    """
    The official test of every lot in a table, one row a lot and book.

    Parameters
    ----------
    table : DataFrame of pandas, Polars (eager or lazy), Dask or PySpark, Arrow table, or DuckDB \
relation
        One weighing a row.
    books : name, RuleBook, or several of them
    lot, net : str
        The columns that hold the lot, and the net weight in grams.
    declared : number of grams, the label's words, or the name of a column of grams
        A column's name wins over words.
    lot_size : int or str
        Packages in every lot, or the name of the column that says.
    test : str
        Another test, which every book has: ``"destructive"``, ``"single"``, ``"category B"``.
    order : str, optional
        The column that tells the first sample of a double plan from the second: a running number,
        a time, 1 and 2. Without it a lot that holds both samples is ``"over plan"``.

    Returns
    -------
    table of the caller's kind
        Columns ``lot`` (named as given), ``book, n, mean_error, sd, beyond_t1, beyond_t2,
        lightest, heaviest, outcome, reason, from_memory``, sorted by lot and book. ``outcome`` is
        as in `judge`, and ``"over plan"`` where a lot holds more weighings than an exact plan
        asks: the summaries cannot decide it, `judge` on its rows can. ``from_memory`` names the
        figures the outcome rests on that nobody has compared with the official table yet; empty
        where there are none.

    Raises
    ------
    ValueError
        A column that is not there or holds text, a lot column called as another of the answer, a
        weighing without its lot, a weight that is missing or not a positive number, a lot whose
        size is missing or not a whole number, or that has two sizes or declared quantities, an
        order that does not tell the first sample of a lot, no book, an unknown one or one named
        twice, a test or a declaration that a book does not have.
    TypeError
        Not a table, or one of an engine other than those named above; `order` with an engine that
        does not rank within a lot (Arrow, Dask).

    Notes
    -----
    The summaries are made by the table engine in one pass (one more where second samples are there,
    and a quick look before it at a column that declares), and judged with the same comparisons as
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

    given = _given(table, order)
    rules = each_rulebook(books)
    for book in rules:
        refuse_test(book, test)
    columns = given.collect_schema()
    _check_columns(columns, lot, net, declared, lot_size, order)
    wanted = {"lot": nw.col(lot), "net": _positive(net)}
    label = None
    if isinstance(declared, str) and declared in columns:
        wanted["declared"] = _positive(declared)
    else:
        label = _label(declared, columns)
    if isinstance(lot_size, str):
        wanted["lot_size"] = _positive(lot_size)
    else:
        lot_size = whole_number(lot_size)
    if order is not None:
        wanted["order"] = nw.col(order)
    frame = given.lazy().select(**wanted)
    labels = [label] if label is not None else _labels(frame)
    found = [[limits(words, book) for words in labels] for book in rules]
    lots = _summarise(frame, labels, found, lot_size)

    @cache
    def first(n: int) -> Lots:
        return _summarise(_first(frame, n), labels, found, lot_size)

    compact = given.implementation.is_duckdb() and _has_arrow()
    judged = _judged(lots, rules, found, test, None if order is None else first, compact)
    return cast(Table, _like(given, judged.rename({"lot": lot})))


def _given(table: object, order: str | None) -> Any:
    """The table as narwhals has it, refused where its engine cannot do what is asked."""
    import narwhals as nw

    try:
        given: Any = nw.from_native(cast(Any, table))
    except TypeError:
        raise TypeError(
            f"a {type(table).__name__} is no table of weighings; give one of "
            f"{', '.join(_ENGINES)} (of weights that were read, their .table)"
        ) from None
    engine = given.implementation.name.lower()
    if engine not in _ENGINES:
        raise TypeError(f"tables of {engine} cannot be judged; give one of {', '.join(_ENGINES)}")
    if order is not None and engine not in _ORDERED:
        raise TypeError(
            f"tables of {engine} cannot put the weighings of a lot in order, which the second "
            f"sample of a double plan needs; give one of {', '.join(_ORDERED)}, or no order"
        )
    return given


def _check_columns(
    columns: Mapping[str, Any],
    lot: str,
    net: str,
    declared: float | str,
    lot_size: int | str,
    order: str | None,
) -> None:
    """Refuse columns that are not there, hold no numbers, or would stand twice in the answer."""
    import narwhals as nw

    named = ((lot, "lot"), (net, "net weight"), (lot_size, "lot size"), (order, "order"))
    for column, what in named:
        if isinstance(column, str) and column not in columns:
            raise ValueError(
                f"the table has no column {column!r} for the {what}; it has {', '.join(columns)}"
            )
    for numbers in (net, declared, lot_size):
        kind = columns.get(numbers) if isinstance(numbers, str) else None
        if kind in (nw.String, nw.Categorical, nw.Enum, nw.Boolean):
            raise ValueError(
                f"the column {numbers!r} is of kind {kind}, and numbers are needed, of weights and "
                "declared quantities in grams; qa.read_weights makes them of a file"
            )
    if lot in _ANSWER:
        raise ValueError(f"the answer has a column {lot!r} of its own; rename that of the lot")


def _positive(column: str) -> nw.Expr:
    """A column of numbers, 0 for what is not a finite number above zero."""
    import narwhals as nw

    number = nw.col(column).cast(nw.Float64)
    return nw.when((number > 0) & (number < np.inf)).then(number).otherwise(nw.lit(0.0))


def _label(declared: float | str, columns: Iterable[str]) -> Declaration:
    if isinstance(declared, str) and not any(letter.isdigit() for letter in declared):
        raise ValueError(
            f"the table has no column {declared!r} for the declared quantity; it has "
            f"{', '.join(columns)} (or give what the label says: declared='120 g')"
        )
    return Declaration.parse(declared)


def _has_arrow() -> bool:
    try:
        import_module("pyarrow")
    except ImportError:  # also where it is there, but not for this NumPy
        return False
    return True


def _collected(frame: nw.LazyFrame[Any]) -> nw.DataFrame[Any]:
    """A small lazy table, made: as pandas, where the engine has no table in memory of its own."""
    kind = frame.implementation
    if kind.is_duckdb():  # Arrow tables cost DuckDB a fifth of the time, but need not be there
        return frame.collect("pyarrow" if _has_arrow() else "pandas")
    return frame.collect("pandas" if kind.is_dask() or kind.is_pyspark() else None)


def _labels(frame: nw.LazyFrame[Any]) -> list[Declaration]:
    """What each declared number of grams in the table stands for."""
    import narwhals as nw

    grams = nw.col("declared")
    values = _values(frame.select(grams.min().alias("least"), grams.max().alias("most")))
    if values.size > 1:  # a single label needs no search through the rows
        values = _values(frame.select("declared").unique())
    if (values == 0).any():
        raise ValueError("every row needs a declared quantity above zero, in grams")
    return [Declaration.parse(value) for value in values.tolist()]


def _values(frame: nw.LazyFrame[Any]) -> NDArray[np.float64]:
    """The different numbers of a small lazy table, in order."""
    values: NDArray[np.float64] = np.unique(_collected(frame).to_numpy().astype(float))
    return values[~np.isnan(values)]  # the least of no rows


def _first(frame: nw.LazyFrame[Any], n: int) -> nw.LazyFrame[Any]:
    """The first n weighings of every lot; not n of them where the order does not tell."""
    import narwhals as nw

    place = nw.col("order")
    if frame.collect_schema()["order"].is_float():
        place = nw.when(~place.is_nan()).then(place)
    # Equal places share the lowest, and a missing one comes first: either way a lot whose order
    # does not tell its first n has another number of them.
    ranked = frame.with_columns(place=place.rank("min").over("lot").fill_null(0))
    return ranked.filter(nw.col("place") <= n)


class Sums(NamedTuple):
    """What decides on lots under one book: one number a lot."""

    error: NDArray[np.float64]
    sd: NDArray[np.float64]
    short: NDArray[np.int64]
    twice: NDArray[np.int64]
    over: NDArray[np.int8]  # -1 where a package is over by more than allowed, else 1


class Lots(NamedTuple):
    """The lots as the engine summed them up, in order."""

    name: nw.Series[Any]
    n: NDArray[np.int64]
    size: NDArray[np.int64]
    label: NDArray[np.intp]  # which of the labels
    mean: NDArray[np.float64]
    sd: NDArray[np.float64]
    lightest: NDArray[np.float64]
    heaviest: NDArray[np.float64]
    beyond: Sequence[tuple[NDArray[np.int64], NDArray[np.int64]]]  # T and 2T, by book

    def under(self, limit: Limits, book: int, at: slice | NDArray[np.intp]) -> Sums:
        """What decides on some of the lots under a book."""
        over = np.where(above(self.heaviest[at], limit.over_g), FAILS, PASSES)
        error = self.mean[at] - limit.target_g
        short, twice = self.beyond[book]
        return Sums(error, self.sd[at], short[at], twice[at], over)


def _summarise(
    frame: nw.LazyFrame[Any],
    labels: Sequence[Declaration],
    found: Sequence[Sequence[Limits]],
    lot_size: int | str,
) -> Lots:
    """Size, spread, and counts beyond each book's limits of every lot, by the engine."""
    import narwhals as nw

    said = ["lot_size"] if isinstance(lot_size, str) else []
    if len(labels) > 1:  # a single label of the whole table is every lot's
        said.append("declared")
    # books that set the same limits share their counts
    cuts = [tuple(getattr(limit, cut) for limit in each) for each in found for cut in _CUTS]
    names = {edges: f"beyond_{i}" for i, edges in enumerate(dict.fromkeys(cuts))}
    # counted, not summed: sums of truth are of another kind in some engines, and slow to take over
    flags = {
        name: nw.when(nw.col("net") < _edge(edges, labels)).then(nw.col("net"))
        for edges, name in names.items()
    }
    sums = [
        nw.len().alias("n"),
        nw.col("net").mean().alias("mean"),
        nw.col("net").std(ddof=1).alias("sd"),
        *(nw.col(flag).count() for flag in flags),
    ]
    for name in ("net", *said):
        sums += [nw.col(name).min().alias(f"{name}_low"), nw.col(name).max().alias(f"{name}_high")]
    made = _collected(frame.with_columns(**flags).group_by("lot").agg(*sums).sort("lot"))
    lots = {name: made[name].to_numpy() for name in made.columns if name != "lot"}
    _refuse(made["lot"], lots, said)
    beyond = [lots[names[edges]].astype(np.int64, copy=False) for edges in cuts]
    size, label = np.full(len(made), lot_size), np.zeros(len(made), np.intp)
    if "lot_size" in said:
        size = lots["lot_size_low"]
    if "declared" in said:
        label = np.searchsorted([_grams(words) for words in labels], lots["declared_low"])
    return Lots(
        name=made["lot"],
        n=lots["n"].astype(np.int64, copy=False),
        size=size.astype(np.int64, copy=False),
        label=label,
        mean=lots["mean"].astype(float, copy=False),
        sd=lots["sd"].astype(float, copy=False),
        lightest=lots["net_low"].astype(float, copy=False),
        heaviest=lots["net_high"].astype(float, copy=False),
        beyond=list(zip(beyond[::2], beyond[1::2], strict=True)),
    )


def _grams(label: Declaration) -> float:
    """What a row with this label holds in the column of declared grams."""
    return float(label.parts[0].grams)


def _edge(edges: Sequence[float], labels: Sequence[Declaration]) -> nw.Expr:
    """The weight below which a package counts, by what its row declares."""
    import narwhals as nw

    first, *others = edges or [-np.inf]
    edge: nw.Expr = nw.lit(first - EXACT_G)
    for words, other in zip(labels[1:], others, strict=True):
        limit = nw.lit(other - EXACT_G)
        edge = nw.when(nw.col("declared") == _grams(words)).then(limit).otherwise(edge)
    return edge


def _refuse(names: nw.Series[Any], lots: Mapping[str, NDArray[Any]], said: Sequence[str]) -> None:
    """Name the first lot that cannot be judged, and what is wrong with it."""
    missing = names.is_null() | names.is_nan() if names.dtype.is_float() else names.is_null()
    if missing.any():
        count = int(lots["n"][missing.to_numpy()].sum())
        one = "weighing is" if count == 1 else "weighings are"
        raise ValueError(f"{count} {one} of no lot; give the lot, or take out and say so")
    for at in np.flatnonzero(lots["net_low"] == 0)[:1]:
        raise ValueError(
            f"lot {names[int(at)]} has a weight that is missing or not a number above zero; take "
            "it out and say so"
        )
    for name in said:
        low, high = lots[f"{name}_low"], lots[f"{name}_high"]
        for at in np.flatnonzero((low == 0) | (low != np.trunc(low)) & (name == "lot_size"))[:1]:
            found = f"has {low[at]:g} packages" if low[at] else "does not say how many were packed"
            raise ValueError(f"lot {names[int(at)]} {found}; give a whole number in every row")
        for at in np.flatnonzero(low < high)[:1]:
            raise ValueError(
                f"lot {names[int(at)]} has more than one {_SAID[name]}: "
                f"{low[at]:g} and {high[at]:g}"
            )


def _judged(
    lots: Lots,
    rules: Sequence[RuleBook],
    found: Sequence[Sequence[Limits]],
    test: str,
    first: Callable[[int], Lots] | None,
    compact: bool,
) -> nw.DataFrame[Any]:
    """The table of outcomes, a row a lot and book; `compact` where texts may be Arrow's codes."""
    import narwhals as nw

    order = sorted(range(len(rules)), key=lambda i: rules[i].name)
    shape = (len(lots.n), len(rules))
    error = np.empty(shape)
    ends = np.empty(shape, np.int32)
    said: dict[tuple[str, ...], int] = {}
    for at in _kinds(lots):
        size, n, label = (int(values[at][0]) for values in (lots.size, lots.n, lots.label))
        for j, i in enumerate(order):
            limit = found[i][label]
            sums = lots.under(limit, i, at)
            error[at, j] = sums.error
            drawn = partial(_drawn, first, lots, limit, i, at)
            end = np.empty(sums.error.shape, np.int32)
            for which, texts in _ends(limit, test, size, n, sums, drawn):
                end[which] = said.setdefault((rules[i].name, *texts), len(said))
            ends[at, j] = end
    one = shape[1] == 1  # a row a lot: nothing to repeat
    lot: Any = slice(None) if one else np.repeat(np.arange(shape[0]), shape[1])
    names = nw.maybe_reset_index(lots.name if one else lots.name[lot])

    def column(name: str, values: Any, kind: Any = None) -> nw.Series[Any]:
        return nw.new_series(name, values, kind, backend=names.implementation)

    def text(name: str, words: Sequence[str]) -> nw.Series[Any] | nw.Expr:
        if len(set(words)) == 1:
            return nw.lit(words[0], nw.String).alias(name)
        if compact:  # millions of rows say a few sentences
            import pyarrow as pa

            coded = pa.DictionaryArray.from_arrays(ends.ravel(), list(words))
            made: nw.Series[Any] = nw.from_native(pa.chunked_array([coded]), series_only=True)
            return made.alias(name)
        return nw.maybe_reset_index(column(name, words, nw.String)[ends.ravel()])

    book, outcome, reason, memory = zip(*said or [("",) * 4], strict=True)
    return names.to_frame().with_columns(
        text("book", book),
        column("n", lots.n[lot]),
        column("mean_error", error.ravel()),
        column("sd", lots.sd[lot]),
        column("beyond_t1", np.stack([lots.beyond[i][0] for i in order], axis=1).ravel()),
        column("beyond_t2", np.stack([lots.beyond[i][1] for i in order], axis=1).ravel()),
        column("lightest", lots.lightest[lot]),
        column("heaviest", lots.heaviest[lot]),
        text("outcome", outcome),
        text("reason", reason),
        text("from_memory", memory),
    )


def _kinds(lots: Lots) -> Iterator[slice | NDArray[np.intp]]:
    """Where the lots of one size, number weighed and label stand: one plan serves them all."""
    import pandas as pd

    kinds = {"size": lots.size, "n": lots.n, "label": lots.label}
    varied = {name: values for name, values in kinds.items() if (values != values[:1]).any()}
    if not varied:
        if lots.n.size:
            yield slice(0, lots.n.size)
        return
    for at in map(np.asarray, pd.DataFrame(varied).groupby([*varied]).indices.values()):
        first, last = int(at[0]), int(at[-1])
        # lots that stand together need not be picked one by one
        yield slice(first, last + 1) if last - first < at.size else at


def _drawn(
    first: Callable[[int], Lots] | None,
    lots: Lots,
    limit: Limits,
    book: int,
    at: slice | NDArray[np.intp],
    n: int,
) -> Sums | None:
    """The first samples of n of some lots, refused where their order does not tell them."""
    if first is None:
        return None
    drawn = first(n)
    for row in np.flatnonzero(drawn.n[at] != n)[:1]:
        raise ValueError(
            f"the order does not tell which {n} of lot {lots.name[at][int(row)]} were drawn first; "
            "number its weighings, or give no order"
        )
    return drawn.under(limit, book, at)


def _both(plan: SamplingPlan, first: Callable[[int], Sums | None]) -> Sums | None:
    """The first of two samples, the mean of as many as the plan takes; None where not told."""
    drawn = first(plan.n)
    if drawn is None or plan.mean_n in (None, plan.n):
        return drawn
    try:
        averaged = first(int(plan.mean_n or 0))
    except ValueError:  # an order that tells the samples, but not the packages of one
        return None
    return averaged and drawn._replace(error=averaged.error, sd=averaged.sd)


def _ends(
    limit: Limits,
    test: str,
    size: int,
    n: int,
    sums: Sums,
    first: Callable[[int], Sums | None],
) -> Iterator[tuple[Any, tuple[str, str, str]]]:
    """Outcome, reason and remembered figures of lots alike in all but their weights."""
    figures = [*limit.figures]

    def end(outcome: str, reason: str) -> tuple[str, str, str]:
        memory = ", ".join(figure.name for figure in figures if figure.grade == "from memory")
        return outcome, reason, memory

    if n > size:
        yield ..., end("unsettled", f"{n} weighed of {size} packed: one of the two is wrong")
        return
    try:
        plan = limit.book.plan(size, test=test, n=n)
    except NoPlan as missing:
        yield ..., end("unsettled", str(missing))
        return
    figures += plan.figures
    if n < plan.n:
        failed = already_failed(plan, sums.short, sums.twice)
        yield ~failed, end("too few", too_few(plan, n))
        yield failed, end("too few", too_few(plan, n) + ALREADY)
        return
    drawn = sums if is_direct(plan, n) else _both(plan, first) if holds_both(plan, n) else None
    told = f"{n} weighed, the plan takes {plan.n}"
    if n == plan.n:
        told = f"the plan averages {plan.mean_n} of the {n} weighed"
    over_plan = end("over plan", f"{told}: judge the weighings themselves")
    if drawn is None:
        yield ..., over_plan
        return
    short, mean, twice = decide(plan, drawn.error, drawn.sd, drawn.short, sums.twice)
    if drawn is not sums:  # only a count that the first sample leaves open asks for the second
        yield short != 0, over_plan
        both = np.where(sums.short <= plan.count_stages[1].accept, PASSES, FAILS)
        short = np.where(short == 0, both, np.int8(2))
    each = 27 * (short + 1) + 9 * (mean + 1) + 3 * (twice + 1) + sums.over + 1  # below 128
    for code in np.flatnonzero(np.bincount(each)):
        tests = [int(test) - 1 for test in np.unravel_index(code, (4, 3, 3, 3))]
        if tests[0] < 2:
            yield each == code, end(*conclude(plan, *tests))


def _like(given: Any, judged: nw.DataFrame[Any]) -> Any:
    """The judged lots as the kind of table the caller handed in."""
    import narwhals as nw

    if not isinstance(given, nw.LazyFrame):
        return judged.to_native()
    if given.implementation.is_pyspark():
        return given.to_native().sparkSession.createDataFrame(judged.to_native())
    return judged.lazy(given.implementation).to_native()
