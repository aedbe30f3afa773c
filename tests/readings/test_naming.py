"""Batch and product in the spelling of the lists; what is not plain is asked."""

from collections.abc import Callable
from pathlib import Path

import pytest

from qa_tools.readings import Weighings, read_works

Files = dict[str, str | bytes]
Write = Callable[[Files], Path]
Read = Callable[..., Weighings]
HEAD = "batch,stage,when,loaf,slot,weight,unit,id,fate,replaces\n"


def test_batches_are_known_whatever_the_case_and_gaps(read: Read) -> None:
    assert read("batch,weight\noh 1,120\n").table["batch"].tolist() == ["OH-1"]


def test_a_product_alone_is_enough(read: Read) -> None:
    table = read("product,weight\nOat bar,120\n").table
    assert table[["product", "batch"]].values.tolist() == [["oat", ""]]


def test_without_a_list_of_batches_names_stand(folder: Write) -> None:
    table = read_works(folder({"weights/a.csv": "lot,weight\nZ-9,120\n"})).weighings.table
    assert table["batch"].tolist() == ["Z-9"]


def test_stage_where_none_is_said(read: Read) -> None:
    table = read(
        "batch,when,weight\nRS-1,,250\nCB-1,,60\nOH-1,2026-09-02,130\nOH-1,2026-09-30,121\nOH-1,,122\n"
    ).table
    assert table["stage"].tolist() == ["filled", "filled", "cut", "", ""]


def test_a_batch_with_two_products_is_asked_about(read: Read) -> None:
    batches = "batch,product,pack_code\nOH-1,oat,a\nOH-1,scrub,b\nOH-2,Oat bar,\nOH-2,oat,\n"
    weighings = read(
        "batch,product,weight\nOH-1,,120\nOH-1,scrub,250\nOH-2,,121\n", batches=batches
    )
    table = weighings.table
    assert table["product"].tolist() == ["", "scrub", "oat"]
    assert table["doubt"].ne("").tolist() == [True, False, False]
    assert table["doubt"][0].endswith(".") and "oat and scrub" in table["doubt"][0]
    assert weighings.questions.values.tolist() == [
        [
            "batches.csv",
            "Batch OH-1 is given two products, oat and scrub: which is it?",
            "correct batches.csv, or write the product beside each weighing",
        ]
    ]


def test_the_only_product_there_is_is_taken_and_said(folder: Write) -> None:
    files: Files = {
        "labels.csv": "product,declared\nbar,110 g\n",
        "w.csv": "batch,weight\nA1,48\nA2,9\n",
    }
    table = read_works(folder(files)).weighings.table
    assert table["product"].tolist() == ["bar", "bar"]
    assert table["doubt"].ne("").all()
    assert table["remark"].tolist() == [
        'product not said: taken as "bar", the only one there is', "",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("batches", "question"),
    [
        (None, "Of which product is A1, A2? batches.csv, which would say it, is missing."),
        (
            "batch,product\nA1,\nA2,oat\n",
            "Of which product is A1? batches.csv, which would say it, does not.",
        ),
    ],
)
def test_a_batch_of_no_known_product_is_asked_about_once(
    folder: Write, lists: Files, batches: str | None, question: str
) -> None:
    del lists["batches.csv"]
    more: Files = {"batches.csv": batches} if batches else {}
    more["weights/a.csv"] = "batch,weight\nA1,118\nA2,119\n"
    works = read_works(folder(lists | more))
    assert works.weighings.table["product"].tolist()[0] == ""
    assert works.questions["question"].tolist() == [question]


def test_several_packing_runs_of_one_product_contradict_nothing(read: Read) -> None:
    weighings = read(
        "batch,weight\nOH-1,120\n",
        batches="batch,product,packed_on\nOH-1,oat,2026-10-02\nOH-1,,2026-09-29\n",
    )
    assert weighings.table["product"].tolist() == ["oat"]
    assert weighings.table["packed_on"].astype(str).tolist() == ["2026-09-29"]
    assert not len(weighings.questions)


def test_names_that_differ_in_hyphens_only_are_told_apart(read: Read) -> None:
    weighings = read(
        "batch,weight\nOH-11,120\nOH-1-1,250\noh 11,121\n",
        batches="batch,product\nOH-11,oat\nOH-1-1,scrub\n",
    )
    assert weighings.table["batch"].tolist() == ["OH-11", "OH-1-1"]
    assert weighings.not_used[["reason", "suggestion"]].values.tolist() == [
        [
            'batch not clear: "oh 11" may be OH-1-1 or OH-11',
            "write the batch as batches.csv writes it",
        ]
    ]


def test_products_that_differ_in_hyphens_only_are_told_apart(read: Read) -> None:
    weighings = read(
        "product,weight\noat-1,120\noat1,121\nOAT 1,122\nThe bar,123\n",
        products="product,name\noat-1,The bar\noat1,The bar\n",
    )
    assert weighings.table["product"].tolist() == ["oat-1", "oat1"]
    assert weighings.not_used["reason"].tolist() == [
        'product not clear: "OAT 1" may be oat-1 or oat1',
        'product not clear: "The bar" may be oat-1 or oat1',
    ]
