"""Many lots at once: the same answers as `judge`, on every table engine."""

from __future__ import annotations

import functools
import shutil
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, NamedTuple
from unittest import mock

import duckdb
import narwhals as nw
import numpy as np
import pandas as pd
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import qa_tools as qa
from qa_tools.books.limits import limits

NAMES = list(qa.rulebooks().index)
COLUMNS = ["batch", "book", "n", "mean_error", "sd", "beyond_t1", "beyond_t2", "lightest",
           "heaviest", "outcome", "reason", "from_memory"]  # fmt: skip
SIZES = [1, 2, 5, 10, 11, 12, 13, 40, 48, 60, 99, 100, 108, 130, 200, 251, 501]
LABELS = [25.0, 120.0, 250.0]  # grams; of 120 g T is 5.4, 9, 6 or 4.8 g
LABEL = st.sampled_from(LABELS)
TESTS = {
    name: sorted(
        {
            row.get("test", "non-destructive")
            for row in qa.rulebook(name).data.get("sampling", {}).get("plans", [{}])
        }
    )
    for name in NAMES
}


class Lot(NamedTuple):
    """One invented lot: its label, packages, and weights in the order drawn."""

    declared: float
    size: int
    net: list[float]


@st.composite
def lots(draw: st.DrawFn) -> tuple[str, str, list[Lot]]:
    """A book, a test of it, and a few lots whose weights stand on, above and below its limits."""
    name = draw(st.sampled_from(NAMES))
    test = draw(st.sampled_from(TESTS[name]))
    found = []
    for _ in range(draw(st.integers(1, 3))):
        size, declared = draw(st.sampled_from(SIZES)), draw(LABEL)
        try:
            plan = qa.rulebook(name).plan(size, test=test)
            wanted = draw(st.sampled_from([plan.n, plan.n, plan.n, plan.n_all]))
        except ValueError:
            wanted = 1
        n = max(1, min(size + 1, wanted + draw(st.sampled_from([0, 0, 0, 0, -1, 1, 4]))))
        limit = limits(declared, name)
        q = round(10 * declared)
        base = q + draw(st.sampled_from([-10, -1, 0, 2, 30]))
        around = st.sampled_from([base, base - 5, base + 5, base + 20])
        cuts = [10 * cut for cut in (limit.short_g, limit.twice_g, limit.over_g)]
        beside = [round(cut) + d for cut in cuts if np.isfinite(cut) for d in (-1, 0, 1)] or [q]
        odd = draw(st.integers(0, min(n, 4)))
        tenths = draw(st.lists(around, min_size=n - odd, max_size=n - odd))
        for tenth in draw(st.lists(st.sampled_from(beside), min_size=odd, max_size=odd)):
            tenths.insert(draw(st.integers(0, len(tenths))), tenth)
        found.append(Lot(declared, size, [k / 10 for k in tenths]))
    return name, test, found


def table(found: Sequence[Lot], seed: int | None = None) -> pd.DataFrame:
    """Weighings one a row, in the order drawn (column ``nr``) or shuffled."""
    rows = [
        (f"L{i}", weight, lot.declared, lot.size, nr)
        for i, lot in enumerate(found)
        for nr, weight in enumerate(lot.net)
    ]
    made = pd.DataFrame(rows, columns=["batch", "net_g", "declared_g", "packed", "nr"])
    return made if seed is None else made.sample(frac=1, random_state=seed)


@mock.patch("qa_tools.books.draws.DRAWS", 100)  # the share of draws is not compared here
@given(lots(), st.booleans())
@settings(max_examples=150, deadline=None)
def test_same_outcome_and_reason_as_judge(case: tuple[str, str, list[Lot]], ordered: bool) -> None:
    """Every test of every book; mixed labels and sizes; double samples by order, or over plan."""
    name, test, found = case
    order = "nr" if ordered else None
    judged = qa.judge_lots(table(found, seed=1), name, lot_size="packed", test=test, order=order)
    assert list(judged.columns) == COLUMNS
    assert len(judged) == len(found)
    for row, (declared, size, net) in zip(judged.itertuples(), found, strict=True):
        verdict = qa.judge(net, declared, name, lot_size=size, test=test, in_order=ordered)
        own = verdict.own
        assert (row.n, row.beyond_t1, row.beyond_t2) == (len(net), own.short, own.short_twice)
        assert row.mean_error == pytest.approx(own.over, abs=1e-9)
        assert (row.lightest, row.heaviest) == (own.lightest, max(net))
        if len(net) > 1:
            assert row.sd == pytest.approx(np.std(net, ddof=1), abs=1e-9)
        assert (row.outcome == "over plan") == (verdict.draws is not None)
        if row.outcome != "over plan":
            assert (row.outcome, row.reason) == (verdict.outcome, verdict.reason)
            assert row.from_memory == ", ".join(figure.name for figure in verdict.from_memory)


def double(short_first: int, short_second: int, n: int = 30) -> Lot:
    """Both samples of the Directive's plan, their short packages first; 200 packed."""
    first = [114.5] * short_first + [125.0] * (n - short_first)
    return Lot(120.0, 200, first + [114.5] * short_second + [125.0] * (n - short_second))


DOUBLE = [  # Directive Annex II 2.2.1, lots of 100 to 500: 30 and 30, 1 and 3, 4 and 5
    (double(1, 0), "over plan"), (double(2, 2), "accept"), (double(2, 3), "reject"),
    (double(3, 0), "over plan"),
]  # fmt: skip


BARS = [99.6, 101.2, 100.4, 98.9, 102.1, 99.3, 100.8, 97.8, 101.5, 99.9, 95.2, 100.6]


def fixed() -> pd.DataFrame:
    """Lots that accept, reject by mean, by count, ask for more, and lie exactly on T."""
    found = [
        (48, [w + 20 for w in BARS]),
        (48, [w + 17 for w in BARS]),
        (48, [110.0, 110.0, *[130.0] * 10]),
        (48, [121.0] * 5),
        (48, [114.6, 114.6, *[125.0] * 10]),
        (12, [111.0, *[125.0] * 11]),
        (40, [125.0] * 14),
    ]
    return table([Lot(120.0, size, net) for size, net in found])


@functools.cache
def many() -> pd.DataFrame:
    """
    A thousand lots of two products in several sizes, their rows in no order; some hold both
    samples of a double plan.
    """
    rng = np.random.default_rng(20261125)
    declared, size = rng.choice([120.0, 250.0], 1000), rng.choice([12, 40, 48, 108, 251], 1000)
    each = np.where(size > 100, rng.choice([12, 60, 60], 1000), rng.choice([5, 12, 12], 1000))
    lot = np.repeat(np.arange(1000), each)
    net = np.round(declared[lot] * rng.normal(1.004, 0.025, lot.size), 1)
    columns = {"batch": lot, "net_g": net, "declared_g": declared[lot], "packed": size[lot],
               "nr": np.arange(lot.size)}  # fmt: skip
    return pd.DataFrame(columns).sample(frac=1, random_state=1)


class Engine(NamedTuple):
    """How a pandas table becomes one of an engine, and back; and the kind of table it is."""

    made: Callable[[pd.DataFrame], Any]
    back: Callable[[Any], pd.DataFrame]
    kind: Any


def from_polars(out: pl.DataFrame) -> pd.DataFrame:
    return pd.DataFrame(out.to_dict(as_series=False))  # to_pandas() would need Arrow


def to_polars(frame: pd.DataFrame) -> pl.DataFrame:
    rows = frame.astype(object).where(frame.notna(), None)
    return pl.DataFrame({name: rows[name].tolist() for name in rows})


def engine(name: str) -> Engine:
    """The engine of this name, or a skip with the reason where it cannot be used."""
    if name == "pandas":
        return Engine(lambda frame: frame, lambda out: out, pd.DataFrame)
    if name == "polars":
        return Engine(to_polars, from_polars, pl.DataFrame)
    if name == "polars lazy":
        lazy = pl.LazyFrame
        return Engine(
            lambda frame: to_polars(frame).lazy(), lambda x: from_polars(x.collect()), lazy
        )
    if name == "pyarrow":
        pa = pytest.importorskip("pyarrow", exc_type=ImportError)
        return Engine(pa.Table.from_pandas, lambda out: out.to_pandas(), pa.Table)
    if name == "duckdb":
        if int(nw.__version__.split(".")[0]) < 2 <= int(duckdb.__version__.split(".")[0]):
            pytest.skip("this Narwhals knows no DuckDB of today")
        return Engine(duckdb.from_df, lambda out: out.df(), duckdb.DuckDBPyRelation)
    if name == "dask":
        dask = pytest.importorskip("dask.dataframe", exc_type=ImportError)

        def split(frame: pd.DataFrame) -> Any:
            return dask.from_pandas(frame, npartitions=3)

        return Engine(split, lambda out: out.compute(), dask.DataFrame)
    sql = pytest.importorskip("pyspark.sql", exc_type=ImportError)
    if shutil.which("java") is None:
        pytest.skip("Spark needs Java, which is not on this machine")
    settings_ = {"spark.ui.enabled": "false", "spark.sql.shuffle.partitions": "2"}
    spark = sql.SparkSession.builder.master("local[1]").config(map=settings_).getOrCreate()
    return Engine(spark.createDataFrame, lambda out: out.toPandas(), sql.DataFrame)


ORDERED = ["pandas", "polars", "polars lazy", "duckdb", "pyspark"]
UNORDERED = ["pyarrow", "dask"]
ENGINES = [*ORDERED, *UNORDERED]


@pytest.mark.parametrize("name", ENGINES)
@pytest.mark.filterwarnings("ignore")  # of the engines' own
def test_every_engine_gives_the_same_and_its_own_kind_of_table(name: str) -> None:
    """A few lots, then a thousand; by the order of the weighings too where the engine keeps one."""
    made, back, kind = engine(name)
    for frame in (fixed(), many()):
        for order in [None, "nr"] if name in ORDERED else [None]:
            wanted = qa.judge_lots(frame, NAMES, lot_size="packed", order=order)
            found: Any = qa.judge_lots(made(frame), NAMES, lot_size="packed", order=order)
            assert isinstance(found, kind)
            pd.testing.assert_frame_equal(
                back(found).astype(wanted.dtypes.to_dict()), wanted, rtol=1e-10
            )
    assert len(wanted) == 1000 * len(NAMES)


@pytest.mark.parametrize("name", UNORDERED)
@pytest.mark.filterwarnings("ignore")
def test_an_engine_that_keeps_no_order_says_so(name: str) -> None:
    with pytest.raises(TypeError, match=rf"tables of {name} cannot put .* in order"):
        qa.judge_lots(engine(name).made(fixed()), NAMES, lot_size="packed", order="nr")


def test_outcomes_of_the_fixed_lots() -> None:
    judged = qa.judge_lots(fixed(), ["ca-crc-417", "us-hb133"], lot_size="packed")
    outcomes = judged.pivot(index="batch", columns="book", values="outcome")
    assert outcomes["ca-crc-417"].tolist() == [
        "accept", "reject", "reject", "too few", "accept", "accept", "accept",
    ]  # fmt: skip
    assert outcomes["us-hb133"].tolist() == [
        "accept", "reject", "reject", "too few", "accept", "accept", "over plan",
    ]  # fmt: skip


def test_rows_are_sorted_by_lot_and_book_whatever_their_order() -> None:
    frame = fixed().sample(frac=1, random_state=1)
    judged = qa.judge_lots(frame, NAMES[::-1], lot_size="packed")
    assert judged[["batch", "book"]].equals(
        judged[["batch", "book"]].sort_values(["batch", "book"], ignore_index=True)
    )
    pd.testing.assert_frame_equal(judged, qa.judge_lots(fixed(), NAMES, lot_size="packed"))


def test_declared_as_words_number_or_column_agree() -> None:
    frame = fixed()
    by_column = qa.judge_lots(frame, "us-hb133", lot_size=48)
    for declared in ("120 g", 120, 120.0, "120"):
        pd.testing.assert_frame_equal(
            qa.judge_lots(frame, "us-hb133", declared=declared, lot_size=48), by_column
        )


def test_words_of_a_double_label_are_resolved_book_by_book() -> None:
    """4 oz / 113 g: the US tests 113.398 g, Canada 113 g; a lot at 113.2 g differs."""
    frame = pd.DataFrame({"batch": 1, "net_g": [113.2] * 12})
    judged = qa.judge_lots(frame, NAMES, declared="4 oz / 113 g", lot_size=40)
    rows = judged.set_index("book")
    assert rows["mean_error"].round(3).to_dict() == {
        name: -0.198 if name == "us-hb133" else 0.2 for name in NAMES
    }
    assert (rows.at["us-hb133", "outcome"], rows.at["ca-crc-417", "outcome"]) == (
        "reject",
        "accept",
    )
    for name in NAMES:
        single = qa.judge([113.2] * 12, "4 oz / 113 g", name, lot_size=40)
        assert rows.at[name, "outcome"] == single.outcome


def test_two_products_with_their_own_labels_in_one_table() -> None:
    frame = pd.DataFrame(
        {
            "batch": ["bar"] * 12 + ["jar"] * 12,
            "net_g": [114.0] + [125.0] * 11 + [244.0] * 2 + [262.0] * 10,
            "declared_g": [120.0] * 12 + [250.0] * 12,
        }
    )
    judged = qa.judge_lots(frame, "ca-crc-417", lot_size=48)
    assert judged["beyond_t1"].tolist() == [1, 0]  # T is 5.4 g and 9 g
    assert judged["outcome"].tolist() == ["accept", "accept"]


def test_the_callers_table_is_left_alone() -> None:
    frame = fixed()
    before = frame.copy(deep=True)
    qa.judge_lots(frame, NAMES, lot_size="packed")
    pd.testing.assert_frame_equal(frame, before)


@pytest.mark.parametrize("name", [*ORDERED[:-1], "pyarrow"])
def test_a_weighing_without_its_lot_is_refused(name: str) -> None:
    frame = pd.DataFrame({"batch": ["a"] * 12 + [None], "net_g": [121.0] * 13})
    with pytest.raises(ValueError, match="1 weighing is of no lot; give the lot"):
        qa.judge_lots(engine(name).made(frame), "us-hb133", declared="120 g", lot_size=40)


@pytest.mark.parametrize("size", [98.7, 0, -3, np.nan, np.inf, None, True])
def test_a_lot_size_that_is_no_whole_number_is_refused(size: Any) -> None:
    with pytest.raises(ValueError, match=f"lot size is {size}; give the number of packages"):
        qa.judge_lots(fixed(), "us-hb133", lot_size=size)
    if size is True:
        return
    frame = fixed().assign(packed=float("nan") if size is None else float(size))
    with pytest.raises(ValueError, match=r"lot L0 .* give a whole number in every row"):
        qa.judge_lots(frame, "us-hb133", lot_size="packed")


def test_an_outcome_names_the_remembered_figures_it_rests_on() -> None:
    """The same as the verdict's own, and none once they are compared with the official table."""
    judged = qa.judge_lots(fixed(), NAMES, lot_size="packed")
    rows = judged.set_index(["batch", "book"])["from_memory"]
    assert rows["L0", "us-hb133"] == "us-hb133 MAV 117-154 g, us-hb133 plan 12-250"
    assert rows["L0", "ca-crc-417"] == ""
    verdict = qa.judge([w + 20 for w in BARS], "120 g", "us-hb133", lot_size=48)
    assert rows["L0", "us-hb133"] == ", ".join(figure.name for figure in verdict.from_memory)
    book = qa.rulebook("us-hb133").with_checks({"us-hb133 MAV 117-154 g": "checked"})
    judged = qa.judge_lots(fixed(), book, lot_size="packed")
    assert judged["from_memory"][0] == "us-hb133 plan 12-250"


def test_another_test_of_the_books() -> None:
    """Of 20, one short by more than the TNE passes and two fail: Directive Annex II 2.2.2."""
    found = [Lot(120.0, 200, [114.5] * short + [125.0] * (20 - short)) for short in (1, 2)]
    judged = qa.judge_lots(
        table(found), ["eu-76-211", "uk-2006-659"], lot_size="packed", test="destructive"
    )
    assert judged["outcome"].tolist() == ["accept", "accept", "reject", "reject"]


@pytest.mark.parametrize("rows", [0, 12])
def test_a_test_that_a_book_has_not_is_refused_with_those_it_has(rows: int) -> None:
    frame = fixed().iloc[:rows]
    for test in ("destructive", "quick"):
        says = f"us-hb133 has no '{test}' test; it has category B, non-destructive"
        with pytest.raises(ValueError, match=says):
            qa.judge_lots(frame, ["us-hb133", "eu-76-211"], lot_size="packed", test=test)


def test_a_book_named_twice_is_refused() -> None:
    moist = qa.rulebook("us-hb133").with_moisture(2)
    for books in (["eu-76-211", "eu-76-211"], ["us-hb133", "eu-76-211", moist]):
        with pytest.raises(ValueError, match="is named twice"):
            qa.judge_lots(fixed(), books, lot_size="packed")


def test_lots_of_other_tables_are_refused_before_any_work() -> None:
    with pytest.raises(TypeError):
        qa.judge_lots([121.0] * 12, "us-hb133", lot_size=40)
    with pytest.raises(ValueError, match="no rule book was named"):
        qa.judge_lots(fixed(), [], lot_size="packed")


def test_duckdb_needs_no_arrow(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("qa_tools.books.lots._has_arrow", lambda: False)
    wanted = qa.judge_lots(fixed(), NAMES, lot_size="packed")
    found = qa.judge_lots(engine("duckdb").made(fixed()), NAMES, lot_size="packed").df()
    pd.testing.assert_frame_equal(found.astype(wanted.dtypes.to_dict()), wanted, rtol=1e-12)


# The order of the weighings: the second sample of a double plan.
@pytest.mark.parametrize("name", ORDERED)
@pytest.mark.filterwarnings("ignore")
def test_the_second_sample_is_told_by_the_order(name: str) -> None:
    """Rows in no order; numbers, times, or just first and second (1 and 2) tell it."""
    made, back, _ = engine(name)
    frame = table([lot for lot, _ in DOUBLE], seed=3)
    frame["sample"] = 1 + frame["nr"] // 30
    frame["when"] = pd.Timestamp(2026, 11, 25) + pd.to_timedelta(frame["nr"], "min")
    frame["nr"] = frame["nr"].astype(float)
    wanted = [outcome for _, outcome in DOUBLE]
    for order in ("nr", "sample", "when"):
        judged = qa.judge_lots(made(frame), "eu-76-211", lot_size="packed", order=order)
        assert back(judged)["outcome"].tolist() == wanted, order
    judged = back(qa.judge_lots(made(frame), "eu-76-211", lot_size="packed"))
    assert set(judged["outcome"]) == {"over plan"}


@pytest.mark.parametrize("name", ORDERED[:-1])
@pytest.mark.parametrize("places", ["same", "tied", "missing"])
def test_an_order_that_does_not_tell_the_first_sample_is_refused(name: str, places: str) -> None:
    made = engine(name).made
    frame = table([double(2, 2)]).astype({"nr": float})
    if places == "tied":
        frame.loc[30, "nr"] = 29
    else:
        frame.loc[frame["nr"] >= (0 if places == "same" else 58), "nr"] = (
            7 if places == "same" else np.nan
        )
    with pytest.raises(ValueError, match="does not tell which 30 of lot L0 were drawn first"):
        qa.judge_lots(made(frame), "eu-76-211", lot_size="packed", order="nr")
    # it does not matter where no lot needs it
    qa.judge_lots(made(frame), "us-hb133", lot_size="packed", order="nr")


def test_an_order_that_is_not_there_is_named() -> None:
    with pytest.raises(ValueError, match="no column 'time' for the order"):
        qa.judge_lots(fixed(), NAMES, lot_size="packed", order="time")


def test_a_book_whose_mean_is_of_fewer_says_what_it_averages() -> None:
    """Directive Annex II 2.3, lots over 3 200: 80 are counted, the mean is of 50 of them."""
    judged = qa.judge_lots(table([Lot(120.0, 5000, [121.0] * 80)]), "eu-76-211", lot_size=5000)
    assert judged["outcome"].tolist() == ["over plan"]
    assert "the plan averages 50 of the 80 weighed" in judged["reason"][0]


def test_a_book_of_a_least_weight(tmp_path: Path) -> None:
    file = tmp_path / "shop.toml"
    file.write_text('format = 1\nname = "shop"\njudged_at = "sale"\nleast = "118 g"\n')
    frame = table([Lot(120.0, 48, [118.0, 125.0]), Lot(120.0, 48, [117.9, 125.0, 100.0])])
    judged = qa.judge_lots(frame, [str(file), "us-hb133"], lot_size="packed")
    rows = judged[judged["book"] == "shop"]
    assert rows["outcome"].tolist() == ["accept", "reject"]
    assert rows["beyond_t1"].tolist() == [0, 2]
    assert rows["beyond_t2"].tolist() == [0, 0]  # twice a least weight means nothing


@pytest.mark.parametrize("wrong", [np.nan, np.inf, 0.0, -3.0, None])
def test_a_weight_that_is_none_is_refused_with_its_lot(wrong: float | None) -> None:
    frame = pd.DataFrame({"batch": ["a"] * 3 + ["b"] * 3, "net_g": [121.0] * 4 + [wrong, 120.0]})
    with pytest.raises(ValueError, match="lot b has a weight that is missing"):
        qa.judge_lots(frame, "us-hb133", declared="120 g", lot_size=40)


@pytest.mark.parametrize("name", ["polars", "duckdb", "pyarrow"])
def test_nan_and_null_are_refused_on_other_engines(name: str) -> None:
    made = engine(name).made
    for wrong in ("nan", None):
        source: Any
        if name == "duckdb":
            word = "null" if wrong is None else "'nan'::double"
            source = duckdb.sql(f"select 'a' as batch, unnest([121.0, {word}]) as net_g")
        elif name == "polars":
            source = pl.DataFrame({"batch": ["a", "a"], "net_g": [121.0, wrong and float(wrong)]})
        else:
            source = made(pd.DataFrame({"batch": ["a", "a"], "net_g": [121.0, np.nan]}))
        with pytest.raises(ValueError, match="lot a"):
            qa.judge_lots(source, "us-hb133", declared="120 g", lot_size=40)


@pytest.mark.parametrize(
    "wrong, says",
    [
        ({"lot": "lott"}, "no column 'lott'"),
        ({"net": "weight"}, "no column 'weight'"),
        (
            {"declared": "label"},
            "no column 'label' .*has batch, .*or give what the label says",
        ),
        ({"lot_size": "packages"}, "no column 'packages'"),
        ({"declared": "250 ml"}, "volume"),
        ({"declared": [120]}, "is not a weight"),
        ({"declared": "12 kg"}, "outside eu-76-211"),
    ],
)
def test_wrong_columns_and_labels_are_named(wrong: dict[str, Any], says: str) -> None:
    arguments: dict[str, Any] = {"lot_size": "packed", **wrong}
    with pytest.raises(ValueError, match=says):
        qa.judge_lots(fixed(), "eu-76-211", **arguments)


def test_two_labels_or_sizes_in_one_lot_are_refused() -> None:
    frame = fixed()
    frame.loc[0, "declared_g"] = 121.0
    with pytest.raises(ValueError, match="lot L0 has more than one declared quantity: 120 and 121"):
        qa.judge_lots(frame, "us-hb133", lot_size="packed")
    frame = fixed()
    frame.loc[0, "packed"] = 47
    with pytest.raises(ValueError, match="lot L0 has more than one lot size"):
        qa.judge_lots(frame, "us-hb133", lot_size="packed")


def test_an_unknown_book_is_answered_with_the_nearest() -> None:
    with pytest.raises(ValueError, match="did you mean 'us-hb133'"):
        qa.judge_lots(fixed(), ["eu-76-211", "hb133"], lot_size="packed")


@pytest.mark.parametrize("packed", [[12] * 11 + [np.nan], [np.nan] * 12])
def test_an_unknown_lot_size_is_refused(packed: list[float]) -> None:
    frame = pd.DataFrame({"batch": "a", "net_g": [121.0] * 12, "packed": packed})
    with pytest.raises(ValueError, match="lot a does not say how many were packed"):
        qa.judge_lots(frame, "us-hb133", declared="120 g", lot_size="packed")


def test_an_empty_table_gives_an_empty_table() -> None:
    judged = qa.judge_lots(fixed().iloc[:0], "us-hb133", lot_size="packed")
    assert list(judged.columns) == COLUMNS
    assert len(judged) == 0


@pytest.mark.parametrize(("then", "outcome"), [(3, "accept"), (14, "reject")])
def test_lots_over_3200_are_settled_by_their_order(then: int, outcome: str) -> None:
    """80 and 80 for the count, the first 50 for the mean: SI 2006/659 Schedule 2."""
    first = [122.0] * 50 + [110.0] * 5 + [122.0] * 25
    weights = [*first, *[110.0] * then, *[122.0] * (80 - then)]
    table = pd.DataFrame({"batch": "A", "net_g": weights, "nr": range(160)})
    asked = {"declared": "120 g", "lot_size": 5000}
    shuffled = table.sample(frac=1, random_state=3)
    lots = qa.judge_lots(shuffled, "uk-2006-659", order="nr", **asked)
    assert lots["outcome"].tolist() == [outcome]
    assert qa.judge(weights, "120 g", "uk-2006-659", lot_size=5000).outcome == outcome
    by_sample = table.assign(nr=[1] * 80 + [2] * 80)  # which 50 came first is not told
    lots = qa.judge_lots(by_sample, "uk-2006-659", order="nr", **asked)
    assert lots["outcome"].tolist() == ["over plan"]


@pytest.mark.parametrize("name", ["pandas", "polars", "polars lazy", "pyarrow", "duckdb"])
@pytest.mark.parametrize("column", ["net_g", "declared_g", "packed"])
@pytest.mark.parametrize("words", ["120,5", "120 g", "120"])
def test_a_column_of_text_is_refused_alike_on_every_engine(
    name: str, column: str, words: str
) -> None:
    made = engine(name).made(fixed().assign(**{column: words}))
    with pytest.raises(ValueError, match=f"column '{column}' is of kind String, and numbers"):
        qa.judge_lots(made, "us-hb133", lot_size="packed")


def test_the_table_of_read_weights_is_asked_for_where_they_are_given_whole() -> None:
    with pytest.raises(TypeError, match=r"a list is no table .* their \.table"):
        qa.judge_lots([121.0], "us-hb133", declared=120, lot_size=40)  # type: ignore[type-var]


@pytest.mark.parametrize("name", COLUMNS[1:])
def test_a_lot_column_named_as_one_of_the_answer_is_refused(name: str) -> None:
    frame = fixed().rename(columns={"batch": name})
    with pytest.raises(ValueError, match=f"a column '{name}' of its own; rename that of the lot"):
        qa.judge_lots(frame, "us-hb133", lot=name, lot_size="packed")
