"""Nothing is lost: every reading found is used or listed, whatever the sheet."""

import tempfile
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from qa_tools.readings import ReadingError, read_weights
from qa_tools.readings.weighings import COLUMNS, NOT_USED, Weighings

Write = Callable[[dict[str, str | bytes]], Path]

CELLS = st.one_of(
    st.floats(1, 900).map(lambda x: f"{x:.1f}"),
    st.floats(1, 900).map(lambda x: f"{x:.1f}".replace(".", ",")),
    st.integers(1, 900).map(str),
    st.sampled_from(
        ["", "", "x", "-3", "0", "4.2 oz", "1 lb 2 oz", "118 ml", "1,234", "1.234", "broken",
         "12 stone", "nan", "1e5", "½", "#REF!", "120 g", "12/10/2026", '"'],
    ),
)  # fmt: skip
NAMES = st.sampled_from(["Q-1", "Q-2", "Q-2", "", "ditto", "Total", "q 1"])
DATES = st.sampled_from(["", "2026-10-02", "02/10/2026", "31.12.2026 14:05", "soon"])


@st.composite
def sheets(draw: st.DrawFn) -> tuple[str, int]:
    """A messy sheet and how many readings stand in it, counted from what was put there."""
    form = draw(st.sampled_from(["long", "wide", "loaf"]))
    many = draw(st.integers(1, 5)) if form != "long" else 1
    heads = {
        "long": ["weight"],
        "wide": [f"w{n}" for n in range(1, many + 2)],
        "loaf": [f"slot{n}" for n in range(1, many + 2)],
    }[form]
    keys = draw(st.sampled_from([["batch"], ["batch", "when"], ["batch", "loaf", "when", "note"]]))
    lines = draw(
        st.sampled_from([[], [["Batch", "Q-1"]], [["Sheet of weights"], [], ["By", "MH"]]])
    )
    rows = draw(st.lists(st.tuples(
        st.tuples(NAMES, DATES, DATES, NAMES), st.lists(CELLS, min_size=len(heads),
                                                       max_size=len(heads))), max_size=12))  # fmt: skip # noqa: E501
    written = [*lines, [*keys, *heads]]
    found = 0
    for names, cells in rows:
        row = [*names[: len(keys)], *cells]
        written.append(row)
        filled = sum(bool(cell) for cell in cells)
        found += filled if form != "long" else any(row)
    text = "\n".join(";".join(f'"{c.replace(chr(34), chr(34) * 2)}"' for c in row) for row in written)  # fmt: skip # noqa: E501
    return text, found


def check(weighings: Weighings) -> None:
    sources = weighings.sources
    assert (sources["rows"] == sources["used"] + sources["not_used"]).all()
    assert sources["used"].sum() == len(weighings.table)
    assert sources["not_used"].sum() == len(weighings.not_used)
    for part, column in ((weighings.table, "used"), (weighings.not_used, "not_used")):
        counts = part.groupby(["file", "sheet"]).size()
        for row in sources.itertuples():
            assert counts.get((row.file, row.sheet), 0) == getattr(row, column)
    assert (weighings.not_used["reason"] != "").all()
    assert (weighings.table["net_g"] > 0).all()


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(sheets(), min_size=1, max_size=3))
def test_rows_read_are_rows_used_and_rows_not_used(made: list[tuple[str, int]]) -> None:
    with tempfile.TemporaryDirectory() as place:
        for number, (text, _) in enumerate(made):
            (Path(place) / f"sheet {number}.csv").write_text(text, encoding="utf-8")
        expected = sum(found for _, found in made)
        if not expected:
            with pytest.raises(ReadingError):
                read_weights(place)
            return
        try:
            weighings = read_weights(place)
        except ReadingError as fault:
            assert f"no weight can be used of {expected} found" in str(fault)
            return
        check(weighings)
        assert weighings.sources["rows"].sum() == expected


def test_columns_and_kinds(folder: Write) -> None:
    weighings = read_weights(folder({"a.csv": "batch,weight\nQ-1,118.4\nQ-1,x\n"}) / "a.csv")
    assert tuple(weighings.table.columns) == COLUMNS
    assert tuple(weighings.not_used.columns) == NOT_USED
    assert weighings.sources.columns.tolist() == [
        "file", "sheet", "sha256", "rows", "used", "not_used", "ignored",
    ]  # fmt: skip
    kinds = weighings.table.dtypes
    assert str(kinds["when"]) == "datetime64[ns]"
    assert str(kinds["slot"]) == "Int64"
    assert str(kinds["judged"]) == "bool"
    assert weighings.table.loc[0, ["fate", "note", "doubt", "remark", "sheet"]].tolist() == [""] * 5
    assert isinstance(weighings.table.index, pd.RangeIndex)


def test_columns_do_not_share_their_cells(folder: Write) -> None:
    table = read_weights(folder({"a.csv": "batch,weight\nQ-1,118.4\nQ-1,119\n"}) / "a.csv").table
    table.loc[0, "note"] = "changed"
    assert table.loc[0, "by"] == ""
    assert table.loc[1, "note"] == ""


def test_several_files_and_a_products_table(folder: Write) -> None:
    place = folder(
        {"a.csv": "product,weight\noat,118\noat,300\n", "b/c.csv": "product,w1,w2\noat,119,50\n"}
    )
    products = pd.DataFrame({"product": ["oat"], "form": ["bar"], "declared": ["120 g"]})
    weighings = read_weights([place / "a.csv", place / "b" / "c.csv"], products)
    check(weighings)
    assert weighings.table["net_g"].tolist() == [118, 119, 50]
    assert weighings.table["doubt"].ne("").tolist() == [False, False, True]
    assert "more than double the 120 g" in weighings.not_used["reason"][0]
    assert weighings.sources["file"].tolist() == ["a.csv", "b/c.csv"]


def test_declared_may_be_a_number_of_grams(folder: Write) -> None:
    products = pd.DataFrame({"product": ["oat"], "declared": [120.0]})
    weighings = read_weights(folder({"a.csv": "product,weight\noat,300\noat,119\n"}), products)
    assert "more than double the 120 g declared" in weighings.not_used["reason"][0]


def test_errors_are_plain(folder: Write) -> None:
    with pytest.raises(ReadingError, match=r"there is no file or folder .*nowhere"):
        read_weights("nowhere")
    place = folder({"a.csv": "batch,wieght\nQ-1,118\n", "b.csv": ""})
    with pytest.raises(ReadingError) as fault:
        read_weights(place)
    text = str(fault.value)
    assert "a.csv: expected a column headed" in text
    assert '"wieght" meant' in text
    assert "b.csv: expected a table of weights; found an empty file" in text


def test_where_nothing_can_be_used_the_first_reasons_are_told(folder: Write) -> None:
    rows = "".join(f"Q-1,x{n}\n" for n in range(12))
    place = folder({"oct.csv": f"batch,weight\n{rows}Q-1,1.234\n"})
    with pytest.raises(ReadingError) as fault:
        read_weights(place)
    lines = str(fault.value).splitlines()
    assert lines[0] == "no weight can be used of 13 found in oct.csv"
    assert lines[1] == '  row 2 of oct.csv, column weight: "x0" is not a number'
    assert lines[11] == "  and 3 more"
    assert 'name "decimal mark of oct.csv"' in lines[12] and len(lines) == 13


def test_a_file_without_weights_is_named(folder: Write, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(folder({"bad.csv": "x\n"}))
    with pytest.raises(ReadingError, match=r"no weights were found in bad\.csv"):
        read_weights("bad.csv")


def test_columns_that_are_not_used_are_named_with_their_source(folder: Write) -> None:
    place = folder({"a.csv": "batch,on the scale as,weight,mood,left\nQ-1,gross,118,fair,\n"})
    assert read_weights(place).sources["ignored"].tolist() == ['"on the scale as", "mood"']
    assert read_weights(folder({"a.csv": "batch,weight,mood\nQ-1,1,\n"})).sources[
        "ignored"
    ].tolist() == [""]


def test_unreadable_files_are_listed_and_the_rest_is_read(folder: Write) -> None:
    place = folder(
        {
            "weights/a.csv": "batch,weight\nQ-1,118\n",
            "weights/b.csv": b"\x89PNG\r\n\x1a\n" + bytes(50),
            "weights/c.xlsx": b"PK\x03\x04nothing",
            "weights/d.jpg": b"\xff\xd8\xff",
            "weights/e.csv/f.csv": "no,weights here\n1,2\n",
            "weights/.hidden.csv": "x",
            "weights/~$open.xlsx": "x",
        }
    )
    weighings = read_weights(place)
    assert len(weighings.table) == 1
    assert weighings.unread["file"].tolist() == [
        "weights/b.csv", "weights/c.xlsx", "weights/d.jpg", "weights/e.csv/f.csv",
    ]  # fmt: skip
    assert (weighings.unread[["expected", "found", "to_do"]] != "").all(axis=None)


def test_prints_as_a_short_summary(folder: Write) -> None:
    weighings = read_weights(folder({"a.csv": "batch,weight\nQ-1,118\nQ-1,x<y\n"}))
    text = str(weighings)
    assert "readings found  2" in text
    assert "not used        1" in text
    page = weighings._repr_html_()
    assert page.startswith("<table>") and "id=" not in page


def test_a_sheet_without_readings_is_a_source_too(folder: Write) -> None:
    place = folder({"a.csv": "batch,weight\nQ-1,118\n", "b.csv": "batch,w1,w2\nQ-1,,\n"})
    weighings = read_weights(place)
    check(weighings)
    assert weighings.sources[["file", "rows"]].values.tolist() == [["a.csv", 1], ["b.csv", 0]]


def test_what_the_label_says_and_the_unit_may_be_handed_over(folder: Write) -> None:
    place = folder({"w.csv": "weight\n4.31\n43.1\n2.0\n120 g\n"}) / "w.csv"
    weighings = read_weights(place, declared="4.2 oz / 119 g", unit="oz")
    assert weighings.table["unit"].tolist() == ["oz", "oz", "g"]
    assert weighings.not_used["suggestion"].tolist() == [
        "looks like a misplaced decimal point: 43.1 -> 4.31"
    ]
    assert weighings.table["doubt"].ne("").tolist() == [False, True, False]
    with pytest.raises(ValueError, match="volume"):
        read_weights(place, unit="ml")
    with pytest.raises(ValueError, match="not a weight"):
        read_weights(place, declared="heavy")


def test_spaces_that_do_not_break(folder: Write) -> None:
    weighings = read_weights(folder({"a.csv": "batch,weight\u00a0(g)\nQ-1,118\u00a0g\n"}))
    assert weighings.table["net_g"].tolist() == [118]
