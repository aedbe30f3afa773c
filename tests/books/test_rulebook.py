"""Rule books as data: names, files of one's own, which declaration is tested, grades."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest

import qa_tools as qa

NAMES = [
    *("au-aqs", "au-ordinary", "ca-crc-417", "ca-crc-417-catch-weight", "de-fpackv-2020"),
    *("eu-76-211", "jp-guideline", "nz-7a", "oiml-r87-2004", "uk-2006-659", "us-hb133"),
]
# Books that judge only where a label names them, whatever its market.
BY_NAME = {"au-aqs", "ca-crc-417-catch-weight", "oiml-r87-2004"}

OWN_BOOK = """
format = 1
name = "own-book"
title = "A book of our own"
edition = "first"
jurisdiction = "nowhere"
judged_at = "packing"
source = "made up for the tests"

[words]
short = "slack"

[[deficiency]]
unit = "g"
clause = "section 1"
grade = "computed"
bands = [{ up_to = 100, percent = 5, round_up = 0.5 }, { up_to = 200, amount = 6 }]

[sampling]
clause = "section 2"
grade = "computed"
confidence = 0.95
plans = [{ lot = [3, 40], sample = "exactly", count = [{ n = 3, accept = 0, reject = 1 }], mean = { n = 3, factor = 0.5 } }]
"""  # noqa: E501


def written(folder: Path, text: str) -> Path:
    path = folder / "own.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_table_of_books() -> None:
    table = qa.rulebooks()
    assert list(table.index) == NAMES
    assert table.index.name == "name"
    assert list(table.columns) == ["title", "edition", "jurisdiction", "judged_at", "source"]
    at_packing = table.index[table["judged_at"] == "packing"]
    assert list(at_packing) == ["de-fpackv-2020", "eu-76-211", "uk-2006-659"]
    assert not (table == "").any().any()


@pytest.mark.parametrize(
    "asked, meant", [("hb133", "us-hb133"), ("eu-76/211", "eu-76-211"), ("UK-2006-659", "uk-2006"),
                     ("ca-crc-471", "ca-crc-417")],
)  # fmt: skip
def test_an_unknown_name_is_answered_with_the_nearest(asked: str, meant: str) -> None:
    with pytest.raises(ValueError, match=f"did you mean '{meant}"):
        qa.rulebook(asked)


def test_a_name_like_no_other_is_answered_with_all() -> None:
    with pytest.raises(ValueError) as caught:
        qa.rulebook("qqqq")
    assert "did you mean" not in str(caught.value)
    assert all(name in str(caught.value) for name in NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_every_book_says_who_decides_and_what_of_drying(name: str) -> None:
    book = qa.rulebook(name)
    assert book.authority and book.drying
    assert bool(book.markets) == (name not in BY_NAME)
    assert not book.markets or book.authority
    assert name not in BY_NAME or book.applies_to
    assert name in str(book)


@pytest.mark.parametrize(
    "market, names",
    [("US", {"us-hb133"}), ("usa", {"us-hb133"}), ("united states", {"us-hb133"}),
     ("Germany", {"de-fpackv-2020", "eu-76-211"}), ("de", {"de-fpackv-2020", "eu-76-211"}),
     ("France", {"eu-76-211"}), ("IE", {"eu-76-211"}), ("Norway", {"eu-76-211"}),
     ("UK", {"uk-2006-659"}), ("Scotland", {"uk-2006-659"}), ("Canada", {"ca-crc-417"}),
     ("AU", {"au-ordinary"}), ("New Zealand", {"nz-7a"}), ("Japan", {"jp-guideline"}),
     ("Switzerland", set()), ("", set())],
)  # fmt: skip
def test_which_books_judge_a_market(market: str, names: set[str]) -> None:
    """In Germany the Directive judges e-marked goods and the German law the others."""
    found = {
        name
        for name in NAMES
        if market.casefold() in {m.casefold() for m in qa.rulebook(name).markets}
    }
    assert found == names


def test_the_directive_covers_27_member_states() -> None:
    markets = qa.rulebook("eu-76-211").markets
    codes = {market for market in markets if len(market) == 2} - {"EU", "EL", "IS", "LI", "NO"}
    assert len(codes) == 27
    assert len(set(markets)) == len(markets)


def test_what_is_missing_is_said_with_where_to_get_it() -> None:
    for name, words in (
        ("oiml-r87-2004", "R 87:2016"), ("au-ordinary", "legislation.gov.au"),
        ("au-aqs", "legislation.gov.au"), ("us-hb133", "2-6"), ("nz-7a", "84D"),
        ("ca-crc-417-catch-weight", "Competition Bureau"), ("eu-76-211", "member states"),
    ):  # fmt: skip
        assert any(words in gap for gap in qa.rulebook(name).missing), name


@pytest.mark.parametrize(
    "declared, us, metric",
    [
        ("4 oz / 113 g", "4 oz", "113 g"),  # 113.398 g is more than 113 g
        ("113 g / 4 oz", "4 oz", "113 g"),
        ("4.2 oz / 120 g", "120 g", "120 g"),
        ("4.25 oz (120 g)", "4.25 oz", "120 g"),
        ("4 oz", "4 oz", "4 oz"),
        ("0.5 kg", "0.5 kg", "0.5 kg"),
    ],
)
def test_which_of_two_quantities_is_tested(declared: str, us: str, metric: str) -> None:
    assert str(qa.rulebook("us-hb133").resolve(declared)) == us
    for name in set(NAMES) - {"us-hb133"}:
        assert str(qa.rulebook(name).resolve(declared)) == metric


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("declared", ["250 ml", "8 fl oz", "heavy", "", "0 g", "-5 g", 0, -1,
                                      float("nan"), float("inf"), "1 g / 2 g / 3 g"])  # fmt: skip
def test_what_is_not_a_declared_weight_is_refused(name: str, declared: float | str) -> None:
    with pytest.raises(ValueError):
        qa.rulebook(name).tolerable_deficiency(declared)


@pytest.mark.parametrize("name", NAMES)
def test_the_ways_to_say_120_grams_agree(name: str) -> None:
    book = qa.rulebook(name)
    ways = [120, 120.0, "120", "120 g", "0.12 kg", Decimal("120"), qa.Declaration.parse("120 g")]
    assert len({book.tolerable_deficiency(way) for way in ways}) == 1


def test_an_ounce_label_in_a_book_of_grams_is_converted_exactly() -> None:
    """4.2 oz is 119.0679...: 4.5 % is 5.358..., up to 5.4 g."""
    assert qa.rulebook("eu-76-211").tolerable_deficiency("4.2 oz") == 5.4


def test_a_figure_that_somebody_compared_is_graded_checked() -> None:
    book = qa.rulebook("us-hb133")
    name = book.tolerance("120 g").figure.name
    assert name == "us-hb133 MAV 117-154 g"  # what settings.csv calls it
    seen = book.with_checks({name: "page 151, by A. B., 3 May"})
    assert seen.tolerance("120 g").figure.grade == "checked"
    assert "page 151" in seen.tolerance("120 g").figure.clause
    assert seen.tolerance("250 g").figure.grade == book.tolerance("120 g").figure.grade
    plan = book.plan(100).figures[0]
    assert book.with_checks({plan.name: "page 9"}).plan(100).figures[0].grade == "checked"


def test_a_book_of_ones_own(tmp_path: Path) -> None:
    book = qa.rulebook(written(tmp_path, OWN_BOOK))
    assert book.tolerable_deficiency("61 g") == 3.5  # 5 % is 3.05, up to the next half gram
    assert book.tolerable_deficiency("100 g") == 5
    assert book.tolerable_deficiency("101 g") == 6
    with pytest.raises(ValueError, match="no row for 201 g"):
        book.tolerable_deficiency("201 g")
    verdict = qa.judge([61.0, 62.0, 60.5], "61 g", book, lot_size=20)
    assert verdict.outcome == "accept"
    assert "slack" in str(verdict)


LEAST = """format = 1
name = "corner-shop"
judged_at = "sale"
least = "118 g"
"""


def test_no_pack_under_is_a_book_of_four_lines(tmp_path: Path) -> None:
    book = qa.rulebook(written(tmp_path, LEAST))
    assert len(LEAST.splitlines()) == 4
    assert str(book) == "corner-shop: corner-shop"
    assert book.tolerable_deficiency("120 g") == 2
    assert book.tolerable_deficiency("4.2 oz / 120 g") == 2
    assert book.tolerable_deficiency("118 g") == 0
    for weights, outcome in (
        ([118.0], "accept"), ([117.9], "reject"), ([118.0] * 50, "accept"),
        ([125.0] * 49 + [117.9], "reject"),
    ):  # fmt: skip
        verdict = qa.judge(weights, "120 g", book, lot_size=50)
        assert verdict.outcome == outcome, weights
        assert [row.test for row in verdict.rows] == ["packages under 118 g"]
    assert "twice" not in str(qa.judge([113.0, 125.0], "120 g", book, lot_size=50))
    with pytest.raises(ValueError, match=r"at least 118 g .* more than the 110 g declared"):
        qa.judge([118.0], "110 g", book, lot_size=50)


def test_a_least_weight_in_ounces_and_with_a_plan(tmp_path: Path) -> None:
    text = (
        LEAST.replace("118 g", "4 oz")
        + """
[sampling]
clause = "terms of supply, 3"
grade = "read"
plans = [{ lot = [10], sample = "exactly", count = [{ n = 10, accept = 0, reject = 1 }] }]
"""
    )
    book = qa.rulebook(written(tmp_path, text))
    assert book.tolerance("4.2 oz").grams == Decimal("0.2") * Decimal("28.349523125")
    assert qa.judge([120.0] * 9, "4.2 oz", book, lot_size=50).outcome == "too few"
    assert qa.judge([120.0] * 10, "4.2 oz", book, lot_size=50).outcome == "accept"
    assert qa.judge([120.0] * 9 + [113.3], "4.2 oz", book, lot_size=50).outcome == "reject"


def test_ways_to_name_a_file_of_ones_own(tmp_path: Path) -> None:
    file = written(tmp_path, LEAST)
    for name in (file, str(file), str(file.with_suffix("")), tmp_path, str(tmp_path)):
        assert qa.rulebook(name).name == "corner-shop", name
    (tmp_path / "other.toml").write_text(LEAST.replace("corner", "other"), encoding="utf-8")
    assert qa.rulebook(tmp_path / "other").name == "other-shop"
    with pytest.raises(ValueError, match=r"one rule book and holds 2: other\.toml, own\.toml"):
        qa.rulebook(tmp_path)
    empty = tmp_path / "empty"
    empty.mkdir()
    with pytest.raises(ValueError, match="holds none"):
        qa.rulebook(empty)
    with pytest.raises(ValueError, match="no rule book file"):
        qa.rulebook(tmp_path / "nowhere")


def test_a_published_name_is_never_a_file_nearby(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "us-hb133.toml").write_text(LEAST, encoding="utf-8")
    (tmp_path / "uk-2006-659").mkdir()
    assert qa.rulebook("us-hb133").jurisdiction == "United States"
    assert qa.rulebook("uk-2006-659").jurisdiction == "Great Britain"
    assert qa.rulebook("us-hb133.toml").name == "corner-shop"


BANDS = "bands = [{ up_to = 100, percent = 5, round_up = 0.5 }, { up_to = 200, amount = 6 }]"


@pytest.mark.parametrize(
    "old, new, line, says",
    [
        ("format = 1", "format = 2", 2, "format is 2; it must be 1"),
        ('judged_at = "packing"', 'judged_at = "whenever"', 7, "judged_at is 'whenever'"),
        ('judged_at = "packing"', "", 1, "'judged_at' is missing"),
        ('edition = "first"', 'edition = "first"\ncolour = "red"', 6, "'colour' is not known"),
        ('edition = "first"', 'editon = "first"', 5, "did you mean 'edition'"),
        ('edition = "first"', "edition = 2004", 5, "edition is 2004; it must be words"),
        ('edition = "first"', 'edition = "first"\nleast = "118 g"', 6, "either 'least' or"),
        ('edition = "first"', 'edition = "first"\nmarkets = "US"', 6, "markets is 'US'; .* list"),
        ('edition = "first"', 'edition = "first"\nscope_g = []', 6, "smallest and the largest"),
        ('short = "slack"', "short = 3", 11, "words: short is 3"),
        ("[words]", '[notes]\nrejected = "Hold it."\n\n[words]', 11, "did you mean 'reject'"),
        ('grade = "computed"\nbands', 'grade = "sure"\nbands', 16,
         "deficiency 1: grade is 'sure'; it must be 'read', 'second-hand'"),
        ('unit = "g"', 'unit = "stone"', 14, "unit is 'stone'"),
        ("up_to = 200, amount = 6", "up_to = 200", 17, "bands 2: .*'percent', 'amount'"),
        ("percent = 5,", "percent = 5, amount = 2,", 17, "bands 1"),
        ("up_to = 200, amount", "up_to = 20, amount", 17, "not in order"),
        ("{ up_to = 100, ", "{ ", 17, "only the last band has no end"),
        ("up_to = 100", 'up_to = "100"', 17, "up_to is '100'; it must be a number"),
        ("up_to = 100", "up_to = nan", 17, "up_to is nan"),
        ("round_up = 0.5", "round = 0.5", 17, "did you mean 'round_up'"),
        ('grade = "computed"\nconfidence', 'grade = "sure"\nconfidence', 21, "sampling: grade"),
        ("confidence = 0.95", "", 19, "'confidence' is missing"),
        ("[sampling]", '[beyond_twice]\nclause = "1"\ngrade = "read"\nsale = "forbidden"\n\n'
         "[sampling]", 19, "'why' is missing"),
        ('sample = "exactly"', 'sample = "some"', 23, "plans 1: sample is 'some'"),
        ('sample = "exactly"', 'sample = "at least"', 23, "'least' is missing, as"),
        ("lot = [3, 40], ", "", 23, "'lot' is missing"),
        ("lot = [3, 40]", "lot = [40, 3]", 23, r"as \[12, 250\]"),
        ("accept = 0, ", "", 23, "plans 1, count 1: the key 'accept' is missing"),
        ("reject = 1", "reject = 3", 23, "nothing ends"),
        ("factor = 0.5", "k = 0.5", 23, "'k' is not known"),
        ("mean = { n = 3, factor", "mean = { factor", 23, "mean: the key 'n' is missing"),
        ("mean = { n = 3, factor = 0.5 }", "beyond_twice = 1", 23, r"no \[beyond_twice\]"),
        ("mean = { n = 3,", "mean = { n = 1,", 23, "needs two"),
        ("lot = [3, 40]", "lot = [2, 40]", 23, "lots of 2 do not hold the 3 to weigh"),
        ("confidence = 0.95", "confidence = 95", 22, "share below 1"),
        ('sample = "exactly"', 'sample = "whole lot", least = 3', 23, "must hold keys"),
        ("count = [{", "count = [{ n = 1, accept = 0, reject = 2 }, { n = 1, accept = 1, reject = 3"
         " }, {", 23, "one stage, or two"),
        ("format = 1", "format 1", 2, "not a TOML file"),
        ("percent = 5,", "percent = 150,", 17, "more than all of it"),
        ('edition = "first"', 'edition = "first"\nscope_g = [5, 7, 9]', 6, r"\[5\] has no largest"),
        ('edition = "first"', 'edition = "first"\nscope_g = [9, 5]', 6, "smallest and the largest"),
        ("[sampling]", '[beyond_twice]\nclause = "1"\ngrade = "read"\nreject = 0\n\n[sampling]', 22,
         "every lot would fail"),
    ],
)  # fmt: skip
def test_a_mistake_names_file_line_and_key(
    tmp_path: Path, old: str, new: str, line: int, says: str
) -> None:
    assert OWN_BOOK.count(old) == 1
    with pytest.raises(ValueError, match=says) as caught:
        qa.rulebook(written(tmp_path, OWN_BOOK.replace(old, new)))
    assert "own.toml" in str(caught.value)
    assert f"line {line}" in str(caught.value)


def test_the_line_is_that_of_the_mistake_in_a_long_file(tmp_path: Path) -> None:
    """Comments and words that look like keys, a second table, and bands on lines of their own."""
    text = OWN_BOOK.replace(
        BANDS,
        """bands = [ # unit = "stone" in older copies
  { up_to = 100, percent = 5 }, # up_to = 200
  { up_to = 200, amount = 6 },
]

[[deficiency]]
unit = "oz"
clause = "unit = g, section 1"
grade = "computed"
bands = [
  { up_to = 4, percent = 5 },
  { up_to = 8, procent = 6 },
]""",
    )
    with pytest.raises(ValueError, match=r"line 28, deficiency 2, bands 2: .*did you mean 'perce"):
        qa.rulebook(written(tmp_path, text))
    with pytest.raises(ValueError, match="line 23, deficiency 2: unit is 'stone'"):
        qa.rulebook(written(tmp_path, text.replace('unit = "oz"', 'unit = "stone"')))


def test_a_file_as_some_editors_save_it(tmp_path: Path) -> None:
    file = tmp_path / "own.toml"
    file.write_bytes(b"\xef\xbb\xbf" + LEAST.replace("\n", "\r\n").encode())
    assert qa.rulebook(file).tolerable_deficiency("120 g") == 2
    file.write_bytes(LEAST.replace("corner", "caf\u00e9").encode("cp1252"))
    with pytest.raises(ValueError, match=r"own\.toml is not saved as UTF-8"):
        qa.rulebook(file)


@pytest.mark.parametrize("least", ["0 g", "-5 g", "118", "a lot", "0 g / 3 g", "118 ml"])
def test_a_least_weight_that_is_none(tmp_path: Path, least: str) -> None:
    with pytest.raises(ValueError, match=r"own\.toml, line 4, least: "):
        qa.rulebook(written(tmp_path, LEAST.replace("118 g", least)))


def test_a_book_that_sets_no_limit_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="sets no limit"):
        qa.rulebook(written(tmp_path, LEAST.replace('least = "118 g"\n', "")))


def test_a_file_that_is_not_there() -> None:
    with pytest.raises(ValueError, match="no rule book file"):
        qa.rulebook("nowhere.toml")


def test_a_book_of_one_s_own_cannot_pass_for_a_published_one(tmp_path: Path) -> None:
    book = written(tmp_path, LEAST.replace('name = "corner-shop"', 'name = "eu-76-211"'))
    with pytest.raises(ValueError, match="is that of a published book"):
        qa.rulebook(book)


def test_a_least_weight_is_above_zero(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="is not above zero"):
        qa.rulebook(written(tmp_path, LEAST.replace("118 g", "0 g")))


@pytest.mark.parametrize("wrong", [None, 133, ["eu-76-211", "uk-2006-659"]])
def test_what_is_not_one_book_is_refused_wherever_a_book_is_asked_for(wrong: object) -> None:
    asked = (
        lambda: qa.rulebook(wrong),  # type: ignore[arg-type]
        lambda: qa.judge([121.0], "120 g", wrong, lot_size=1),  # type: ignore[arg-type]
        lambda: qa.own_check([121.0], "120 g", wrong),  # type: ignore[arg-type]
        lambda: qa.label_check("120 g", wrong),  # type: ignore[arg-type]
        lambda: qa.chance_of_rejection(121, 2, "120 g", wrong, lot_size=9),  # type: ignore[arg-type]
        lambda: qa.chance_by_setting(121, 2, "120 g", wrong, lot_size=9),  # type: ignore[arg-type]
    )
    for ask in asked:
        with pytest.raises(ValueError, match="is not one rule book; give its name, such as"):
            ask()


@pytest.mark.parametrize("name", ["", " "])
def test_an_empty_name_names_no_book(name: str) -> None:
    with pytest.raises(ValueError, match="no rule book is called"):
        qa.rulebook(name)


def test_a_book_is_taken_as_it_is_by_name_or_by_file(tmp_path: Path) -> None:
    file = written(tmp_path, LEAST)
    book = qa.rulebook(file)
    assert qa.rulebook(book) is book
    for own in (book, file, str(file)):
        assert qa.judge([117.9], "120 g", own, lot_size=1).outcome == "reject"  # type: ignore[arg-type]
        assert list(qa.oc_curve(own, 12).plans) == ["corner-shop"]  # type: ignore[arg-type]
