"""Batch and product in the spelling of the lists; what is not plain is asked."""

from collections.abc import Callable
from pathlib import Path

from qa_tools.readings import Weighings, read_works

Write = Callable[[dict[str, str | bytes]], Path]
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
