"""Corrections: the sheet keeps what was written, the new value is used, and it is said."""

from __future__ import annotations

from pathlib import Path

import pytest

import qa_tools as qa

HEAD = "id,when,what,reason,by,reading,old,new\n"


def read(folder: Path, *entries: str, weights: str = "118.4\n112.4\n1l9.9\n") -> qa.Works:
    """A works of three weighings in rows 2 to 4, with corrections."""
    rows = "".join(f"OH-1,{weight}\n" for weight in weights.split())
    (folder / "oct.csv").write_text("batch,weight\n" + rows)
    (folder / "actions.csv").write_text(HEAD + "".join(f"{one}\n" for one in entries))
    return qa.read_works(folder)


def test_the_new_value_is_used_and_the_old_one_still_told(tmp_path: Path) -> None:
    works = read(tmp_path, "A-1,2026-10-05,correction,misread,MH,row 3 of oct.csv,112.4,121.4")
    row = works.weighings.table.set_index("row").loc[3]
    assert row["net_g"] == 121.4
    assert row["weight"] == 112.4  # as the sheet shows it
    assert row["remark"] == "corrected: from 112.4 to 121.4 (A-1)"
    assert works.questions.empty


def test_a_weight_that_could_not_be_read_is_used_once_corrected(tmp_path: Path) -> None:
    before = read(tmp_path)
    assert before.weighings.not_used["row"].tolist() == [4]
    works = read(tmp_path, "A-1,2026-10-05,correction,typed l for 1,MH,row 4 of oct,1l9.9,119.9")
    assert works.weighings.not_used.empty
    assert works.weighings.table.set_index("row").loc[4, "net_g"] == 119.9


def test_a_sheet_that_shows_the_new_value_already_is_left_so(tmp_path: Path) -> None:
    works = read(tmp_path, "A-1,2026-10-05,correction,misread,MH,row 3 of oct.csv,121.4,112.40")
    row = works.weighings.table.set_index("row").loc[3]
    assert (row["net_g"], row["remark"]) == (
        112.4,
        "corrected: the sheet shows the new value (A-1)",
    )


def test_corrections_follow_one_another(tmp_path: Path) -> None:
    works = read(
        tmp_path,
        "A-2,2026-10-06,correction,again,MH,row 3 of oct.csv,121.4,120.4",
        "A-1,2026-10-05,correction,misread,MH,row 3 of oct.csv,112.4 g,121.4",
    )
    assert works.weighings.table.set_index("row").loc[3, "net_g"] == 120.4


@pytest.mark.parametrize(
    ("entry", "said"),
    [
        ("row 3 of oct.csv,111,121.4", "row 3 of oct.csv shows 112.4, neither the old value 111"),
        ("row 9 of oct.csv,112.4,121.4", '"row 9 of oct.csv" is no weighing that was read'),
        ("row 3 of nov.csv,112.4,121.4", "is no weighing that was read"),
        ("somewhere,112.4,121.4", "is no weighing that was read"),
        ("row 3 of oct.csv,112.4,about 121", 'the new value "about 121" cannot be read'),
    ],
)
def test_an_entry_that_does_not_fit_is_asked_about_and_changes_nothing(
    tmp_path: Path, entry: str, said: str
) -> None:
    works = read(tmp_path, f"A-1,2026-10-05,correction,misread,MH,{entry}")
    assert works.weighings.table.set_index("row").loc[3, "net_g"] == 112.4
    asked = works.questions["question"].tolist()
    assert len(asked) == 1
    assert asked[0].startswith("The correction A-1 of 2026-10-05 is not used: ")
    assert said in asked[0]


def test_one_of_several_weighings_in_a_row_is_named_by_its_column(tmp_path: Path) -> None:
    (tmp_path / "oct.csv").write_text("batch,w1,w2\nOH-1,118.4,112.4\n")
    (tmp_path / "actions.csv").write_text(
        HEAD + "A-1,2026-10-05,correction,misread,MH,row 2 w2 of oct.csv,112.4,121.4\n"
    )
    works = qa.read_works(tmp_path)
    assert works.weighings.table["net_g"].tolist() == [118.4, 121.4]
    (tmp_path / "actions.csv").write_text(
        HEAD + "A-1,2026-10-05,correction,misread,MH,row 2 of oct.csv,112.4,121.4\n"
    )
    works = qa.read_works(tmp_path)
    assert works.weighings.table["net_g"].tolist() == [118.4, 112.4]
    assert "is 2 weighings" in works.questions["question"].iloc[0]
