"""Which files are read, from a folder, a file, or several of either."""

from collections.abc import Callable
from pathlib import Path

import pytest

from qa_tools.readings import read_weights
from qa_tools.readings.folder import contents

Write = Callable[[dict[str, str | bytes]], Path]
A, B, C = ("batch,weight\nQ-1,118\n", "batch,weight\nQ-1,119\n", "batch,weight\nQ-1,120\n")


def test_a_folder_among_files_is_read_too(folder: Write) -> None:
    place = folder({"a.csv": A, "more/b.csv": B, "more/deep/c.csv": C, "more/notes.pdf": b"%PDF"})
    weighings = read_weights([place / "a.csv", place / "more"])
    assert weighings.table["file"].tolist() == ["a.csv", "more/b.csv", "more/deep/c.csv"]
    assert not len(weighings.unread)


def test_a_file_asked_for_twice_is_read_once(folder: Write) -> None:
    place = folder({"a.csv": A})
    assert len(read_weights([place, place / "a.csv"]).table) == 1


def test_a_file_asked_for_by_name_is_missed_when_it_is_no_table(folder: Write) -> None:
    place = folder({"a.csv": A, "b.pdf": b"%PDF"})
    assert [one.file for one in contents([place / "a.csv", place / "b.pdf"]).unread] == ["b.pdf"]


def test_lists_are_told_from_weights_by_their_name(folder: Write) -> None:
    found = contents(folder({"batches.csv": "batch\nQ-1\n", "oct.csv": A, "README.csv": B}))
    assert [table for table, _ in found.lists] == ["batches"]
    assert [sheet.file for sheet in found.weights] == ["oct.csv"]


def test_the_longer_name_is_the_copy(folder: Write) -> None:
    found = contents(folder({"weights/a copy.csv": A, "weights/a.csv": A}))
    assert found.copies == {"weights/a copy.csv": "weights/a.csv"}


def test_nothing_there(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        contents([tmp_path / "nowhere"])
