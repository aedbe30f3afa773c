"""Many lots at once: the same answers as `judge`, on every table engine."""

from __future__ import annotations

import shutil
from typing import Any

import duckdb
import numpy as np
import pandas as pd
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import qa_tools as qa

pa = pytest.importorskip("pyarrow", exc_type=ImportError)

NAMES = ["ca-crc-417", "eu-76-211", "uk-2006-659", "us-hb133"]
COLUMNS = ["batch", "book", "n", "mean_error", "sd", "beyond_t1", "beyond_t2", "lightest",
           "heaviest", "outcome", "reason", "from_memory"]  # fmt: skip
SIZES = [1, 2, 5, 10, 11, 12, 40, 48, 60, 99, 100, 108, 130, 200, 251, 501]


@st.composite
def lots(draw: st.DrawFn) -> tuple[str, list[tuple[int, list[float]]]]:
    """A book, and a few lots whose weights stand on, above and below its limits for 120 g."""
    name = draw(st.sampled_from(NAMES))
    found = []
    for _ in range(draw(st.integers(1, 3))):
        size = draw(st.sampled_from(SIZES))
        try:
            wanted = qa.rulebook(name).plan(size).n
        except ValueError:
            wanted = 1
        n = max(1, min(size + 1, wanted + draw(st.sampled_from([0, 0, 0, 0, -1, 1, 4]))))
        base = draw(st.sampled_from([1190, 1199, 1200, 1202, 1230]))
        around = st.sampled_from([base, base - 5, base + 5, base + 20])
        edges = st.sampled_from([1146, 1145, 1092, 1091, 1110, 1109, 1020, 1019])
        odd = draw(st.integers(0, min(n, 4)))
        tenths = draw(st.lists(around, min_size=n - odd, max_size=n - odd))
        tenths += draw(st.lists(edges, min_size=odd, max_size=odd))
        found.append((size, [k / 10 for k in tenths]))
    return name, found


def table(found: list[tuple[int, list[float]]]) -> pd.DataFrame:
    return pd.DataFrame(
        [(f"L{i}", weight, 120.0, size) for i, (size, net) in enumerate(found) for weight in net],
        columns=["batch", "net_g", "declared_g", "packed"],
    )


@given(lots())
@settings(max_examples=150, deadline=None)
def test_same_outcome_and_reason_as_judge(case: tuple[str, list[tuple[int, list[float]]]]) -> None:
    name, found = case
    judged = qa.judge_lots(table(found), name, lot_size="packed")
    assert list(judged.columns) == COLUMNS
    assert len(judged) == len(found)
    for row, (size, net) in zip(judged.itertuples(), found, strict=True):
        verdict = qa.judge(net, "120 g", name, lot_size=size)
        own = verdict.own
        assert (row.n, row.beyond_t1, row.beyond_t2) == (len(net), own.short, own.short_twice)
        assert row.mean_error == pytest.approx(own.over, abs=1e-9)
        assert row.lightest == own.lightest
        if len(net) > 1:
            assert row.sd == pytest.approx(np.std(net, ddof=1), abs=1e-9)
        if row.outcome == "over plan":
            assert verdict.draws is not None
        else:
            assert verdict.draws is None
            assert (row.outcome, row.reason) == (verdict.outcome, verdict.reason)


BARS = [99.6, 101.2, 100.4, 98.9, 102.1, 99.3, 100.8, 97.8, 101.5, 99.9, 95.2, 100.6]


def fixed() -> pd.DataFrame:
    """Lots that accept, reject by mean, by count, ask for more, and lie exactly on T."""
    return table(
        [
            (48, [w + 20 for w in BARS]),
            (48, [w + 17 for w in BARS]),
            (48, [110.0, 110.0, *[130.0] * 10]),
            (48, [121.0] * 5),
            (48, [114.6, 114.6, *[125.0] * 10]),
            (12, [111.0, *[125.0] * 11]),
            (40, [125.0] * 14),
        ]
    )


ENGINES = {
    "polars": (pl.from_pandas, lambda out: out.to_pandas(), pl.DataFrame),
    "polars lazy": (
        lambda frame: pl.from_pandas(frame).lazy(), lambda out: out.collect().to_pandas(),
        pl.LazyFrame,
    ),
    "pyarrow": (pa.Table.from_pandas, lambda out: out.to_pandas(), pa.Table),
    "duckdb": (duckdb.from_df, lambda out: out.df(), duckdb.DuckDBPyRelation),
}  # fmt: skip


@pytest.mark.parametrize("engine", ENGINES)
def test_every_engine_gives_the_same_and_its_own_kind_of_table(engine: str) -> None:
    given_, back, kind = ENGINES[engine]
    frame = fixed()
    wanted = qa.judge_lots(frame, NAMES, lot_size="packed")
    found: Any = qa.judge_lots(given_(frame), NAMES, lot_size="packed")
    assert isinstance(found, kind)
    pd.testing.assert_frame_equal(
        back(found).astype(wanted.dtypes.to_dict()), wanted, check_exact=False, rtol=1e-12
    )


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
        "ca-crc-417": 0.2, "eu-76-211": 0.2, "uk-2006-659": 0.2, "us-hb133": -0.198,
    }  # fmt: skip
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


@pytest.mark.parametrize("engine", ["pandas", *ENGINES])
def test_a_weighing_without_its_lot_is_refused(engine: str) -> None:
    frame = pd.DataFrame({"batch": ["a"] * 12 + [None], "net_g": [121.0] * 13})
    given_ = frame if engine == "pandas" else ENGINES[engine][0](frame)
    with pytest.raises(ValueError, match="1 weighings are of no lot"):
        qa.judge_lots(given_, "us-hb133", declared="120 g", lot_size=40)


@pytest.mark.parametrize("size", [98.7, 0, -3, np.nan, np.inf, None])
def test_a_lot_size_that_is_no_whole_number_is_refused(size: Any) -> None:
    with pytest.raises(ValueError, match="packages cannot be judged; give the number packed"):
        qa.judge_lots(fixed(), "us-hb133", lot_size=size)
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


def test_lots_of_other_tables_are_refused_before_any_work() -> None:
    with pytest.raises(TypeError):
        qa.judge_lots([121.0] * 12, "us-hb133", lot_size=40)
    with pytest.raises(ValueError, match="no rule book was named"):
        qa.judge_lots(fixed(), [], lot_size="packed")


def test_duckdb_needs_no_arrow(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("qa_tools.books.lots._has_arrow", lambda: False)
    wanted = qa.judge_lots(fixed(), NAMES, lot_size="packed")
    found = qa.judge_lots(duckdb.from_df(fixed()), NAMES, lot_size="packed").df()
    pd.testing.assert_frame_equal(found.astype(wanted.dtypes.to_dict()), wanted, rtol=1e-12)


def many() -> pd.DataFrame:
    """A thousand lots of two products in several sizes, their rows in no order."""
    rng = np.random.default_rng(20261125)
    declared, size = rng.choice([120.0, 250.0], 1000), rng.choice([12, 40, 48, 108, 251], 1000)
    each = rng.choice([5, 12, 12, 12], 1000)
    lot = np.repeat(np.arange(1000), each)
    net = np.round(declared[lot] * rng.normal(1.004, 0.02, lot.size), 1)
    columns = {"batch": lot, "net_g": net, "declared_g": declared[lot], "packed": size[lot]}
    return pd.DataFrame(columns).sample(frac=1, random_state=1)


@pytest.mark.parametrize("engine", ENGINES)
def test_a_thousand_lots_are_the_same_on_every_engine(engine: str) -> None:
    wanted = qa.judge_lots(many(), NAMES, lot_size="packed")
    given_, back, _ = ENGINES[engine]
    found = back(qa.judge_lots(given_(many()), NAMES, lot_size="packed"))
    pd.testing.assert_frame_equal(found.astype(wanted.dtypes.to_dict()), wanted, rtol=1e-10)


@pytest.mark.filterwarnings("ignore::FutureWarning")
def test_a_thousand_lots_on_dask() -> None:
    dask = pytest.importorskip("dask.dataframe", reason="Dask is not installed")
    wanted = qa.judge_lots(many(), NAMES, lot_size="packed")
    found = qa.judge_lots(dask.from_pandas(many(), npartitions=3), NAMES, lot_size="packed")
    assert isinstance(found, dask.DataFrame)
    pd.testing.assert_frame_equal(
        found.compute().astype(wanted.dtypes.to_dict()), wanted, rtol=1e-10
    )


@pytest.mark.filterwarnings("ignore")
def test_a_thousand_lots_on_spark() -> None:
    sql = pytest.importorskip("pyspark.sql", reason="PySpark is not installed")
    if shutil.which("java") is None:
        pytest.skip("Spark needs Java, which is not on this machine")
    settings_ = {"spark.ui.enabled": "false", "spark.sql.shuffle.partitions": "2"}
    spark = sql.SparkSession.builder.master("local[1]").config(map=settings_).getOrCreate()
    try:
        wanted = qa.judge_lots(many(), NAMES, lot_size="packed")
        found = qa.judge_lots(spark.createDataFrame(many()), NAMES, lot_size="packed")
        assert isinstance(found, sql.DataFrame)
        pd.testing.assert_frame_equal(
            found.toPandas().astype(wanted.dtypes.to_dict()), wanted, rtol=1e-10
        )
    finally:
        spark.stop()


@pytest.mark.parametrize("wrong", [np.nan, np.inf, 0.0, -3.0, None])
def test_a_weight_that_is_none_is_refused_with_its_lot(wrong: float | None) -> None:
    frame = pd.DataFrame({"batch": ["a"] * 3 + ["b"] * 3, "net_g": [121.0] * 4 + [wrong, 120.0]})
    with pytest.raises(ValueError, match="lot b has a weight that is missing"):
        qa.judge_lots(frame, "us-hb133", declared="120 g", lot_size=40)


@pytest.mark.parametrize("engine", ["polars", "duckdb", "pyarrow"])
def test_nan_and_null_are_refused_on_other_engines(engine: str) -> None:
    for wrong in (float("nan"), None):
        frame = pl.DataFrame({"batch": ["a", "a"], "net_g": [121.0, wrong]})
        source = {"polars": frame, "duckdb": duckdb.from_arrow(frame.to_arrow()),
                  "pyarrow": frame.to_arrow()}[engine]  # fmt: skip
        with pytest.raises(ValueError, match="lot a"):
            qa.judge_lots(source, "us-hb133", declared="120 g", lot_size=40)


@pytest.mark.parametrize(
    "wrong, says",
    [
        ({"lot": "lott"}, "no column 'lott'"),
        ({"net": "weight"}, "no column 'weight'"),
        ({"declared": "label"}, "no column 'label'"),
        ({"lot_size": "packages"}, "no column 'packages'"),
        ({"declared": "250 ml"}, "volume"),
        ({"declared": "12 kg"}, "outside eu-76-211"),
    ],
)
def test_wrong_columns_and_labels_are_named(wrong: dict[str, str], says: str) -> None:
    arguments: dict[str, Any] = {"lot_size": "packed", **wrong}
    with pytest.raises(ValueError, match=says):
        qa.judge_lots(fixed(), "eu-76-211", **arguments)


def test_two_labels_or_sizes_in_one_lot_are_refused() -> None:
    frame = fixed()
    frame.loc[0, "declared_g"] = 121.0
    with pytest.raises(ValueError, match="lot L0 has more than one declared"):
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
