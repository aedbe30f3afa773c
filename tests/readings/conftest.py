"""A works folder made of texts, for the tests of this room."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from qa_tools.readings import Weighings, read_works

Files = dict[str, str | bytes]


@pytest.fixture
def folder(tmp_path: Path) -> Callable[[Files], Path]:
    """Write files into a folder: names may have folders in them."""

    def write(files: Files) -> Path:
        for name, content in files.items():
            path = tmp_path / name
            path.parent.mkdir(parents=True, exist_ok=True)
            data = content if isinstance(content, bytes) else content.encode("utf-8")
            path.write_bytes(data)
        return tmp_path

    return write


LISTS: Files = {
    "products.csv": (
        "product,name,form,tare parts,cure_days,shelf_days\n"
        "oat,Oat bar,bar,,28,720\n"
        "scrub,Rosemary scrub,jar,jar + lid,,540\n"
        "balm,Calendula balm,tin,tin,,540\n"
    ),
    "labels.csv": "product,declared,unit\noat,120,g\nscrub,250,g\nbalm,60,g\n",
    "batches.csv": (
        "batch,product,made_on,packed_on,sell_from\n"
        "OH-1,oat,2026-09-01,2026-09-29,2026-10-06\n"
        "OH-2,oat,2026-09-08,2026-10-06,\n"
        "RS-1,scrub,2026-09-10,2026-09-10,\n"
        "CB-1,balm,2026-09-14,2026-09-14,\n"
    ),
    "tare.csv": (
        "product,part,tare,unit,when,supplier_lot\n"
        "scrub,jar,240,g,,\nscrub,jar,242,g,,\nscrub,lid,20,g,,\nscrub,lid,21,g,,\n"
        "balm,tin,14.0,g,2026-08-01,K1\nbalm,tin,14.4,g,2026-08-01,K1\n"
        "balm,tin,16.0,g,2026-10-01,N2\nbalm,tin,16.4,g,2026-10-02,N2\n"
    ),
}


BANDED: Files = {
    "products.csv": str(LISTS["products.csv"]).replace("bar,,", "bar,band,"),
    "tare.csv": f"{LISTS['tare.csv']!s}oat,band,1.4,g,,\n",
}


@pytest.fixture
def banded() -> dict[str, str]:
    """The products and the tare list where bars have a band."""
    return {name.removesuffix(".csv"): str(text) for name, text in BANDED.items()}


@pytest.fixture
def lists() -> Files:
    """The lists of a small works: a bar, a jar and a tin."""
    return dict(LISTS)


@pytest.fixture
def read(folder: Callable[[Files], Path], lists: Files) -> Callable[..., Weighings]:
    """Read a sheet oct.csv of weights beside the lists, and other files given by name."""

    def reading(text: str, **others: str) -> Weighings:
        more: Files = {
            name.replace("__", "/") + ".csv": content for name, content in others.items()
        }
        return read_works(folder({**lists, "weights/oct.csv": text, **more})).weighings

    return reading
