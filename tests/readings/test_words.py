"""A word we do not know is one question, puts what it may change in doubt, and can be told."""

from collections.abc import Callable

import pytest

from qa_tools.readings import Weighings

Read = Callable[..., Weighings]


def sheet(kind: str, word: str) -> str:
    head = "batch,weight" if kind == "stage" else "batch,stage,weight"
    stage = "" if kind == "stage" else "packed,"
    return f"{head},{kind}\n" + f"OH-1,{stage}120,{word}\n" * 2 + f"OH-1,{stage}121,\n"


@pytest.mark.parametrize(
    ("kind", "doubt"), [("stage", True), ("fate", True), ("picked", False), ("weighed", False)]
)
def test_a_word_we_do_not_know_is_one_question(read: Read, kind: str, doubt: bool) -> None:
    weighings = read(sheet(kind, "somehow"))
    ((file, question, how),) = weighings.questions.to_numpy().tolist()
    assert file == "weights/oct.csv"
    assert question.startswith(f'oct.csv: {kind} "somehow" (2 rows) is none we know; known are ')
    assert f"or in settings.csv: name '{kind} \"somehow\"', value " in how
    table = weighings.table
    asked = table["doubt"][table["row"] < 4]
    assert asked.ne("").any() == doubt and asked.nunique() <= 1
    assert (table["remark"] == "").all() and table["doubt"].iloc[-1] == ""
    assert len(weighings.not_used) == (2 if kind == "weighed" else 0)


@pytest.mark.parametrize(
    ("kind", "word"),
    [("stage", "packed"), ("fate", "pulled"), ("picked", "random"), ("weighed", "bare")],
)
@pytest.mark.parametrize("name", ['{} "somehow"', "{} some-how"])
def test_the_answer_is_the_word(read: Read, kind: str, word: str, name: str) -> None:
    text = sheet(kind, "Somehow" if '"' in name else "Some how")
    weighings = read(text, settings=f"name,value\n{name.format(kind)},{word}\n")
    assert weighings.table[kind].tolist() == [word, word, ""]
    assert (weighings.table["doubt"] == "").all() and not len(weighings.questions)
    assert weighings.table["judged"].tolist() == [word != "pulled"] * 2 + [True]
