"""Which batch and product a reading is of, on which day and at which stage."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from qa_tools.readings.coded import Coded
from qa_tools.readings.headings import nearest, squeezed
from qa_tools.readings.records import canonical
from qa_tools.readings.sift import Sift, day_of


def names(s: Sift) -> None:
    """Batch and product in the spelling of the lists; what cannot be placed is not used."""
    batches, products = s.lists["batches"], s.lists["products"]
    s.batch = canonical(s.found.texts["batch"], _spellings(batches["batch"]))
    known = _spellings(products["product"])
    for called, key in zip(products["name"], products["product"], strict=True):
        known.setdefault(squeezed(str(called)), str(key))
    s.product = canonical(s.found.texts["product"], known)
    of_batch = {
        str(batch): str(product)
        for batch, product in zip(batches["batch"], batches["product"], strict=True)
        if product
    }
    listed = set(batches["batch"])
    if listed:
        unknown = s.batch.where(lambda name: name != "" and name not in listed)
        for number in np.flatnonzero(unknown & s.open).tolist():
            close = nearest(s.batch[number], listed)
            s.refuse(
                number,
                f'batch unknown: "{s.batch[number]}" is not in the list of batches',
                f'is "{close}" meant?' if close else "add it to batches.csv",
            )
    nameless = s.batch.where(lambda name: name == "") & s.product.where(lambda name: name == "")
    for number in np.flatnonzero(nameless & s.open).tolist():
        s.refuse(
            number,
            "neither batch nor product is said",
            "write the batch in its column, or once over the table",
        )
    implied = s.batch.map(lambda name: of_batch.get(name, "")).distinct()
    said = s.product
    s.product = said.filled(implied)
    if len(said.values) > 1 or said.values != [""]:
        for number in differing(s, said, implied):
            s.remark.add(
                number,
                f'the row says product "{said[number]}", the list of batches "{implied[number]}"',
            )
    listed_products = set(products["product"])
    if listed_products:
        strange = s.product.where(lambda name: name != "" and name not in listed_products)
        for number in np.flatnonzero(strange & s.open).tolist():
            s.remark.add(number, f'product "{s.product[number]}" is not in the list of products')


def differing(s: Sift, said: Coded, implied: Coded) -> list[int]:
    both = said.where(lambda name: name != "") & implied.where(lambda name: name != "")
    return [n for n in np.flatnonzero(both & s.open).tolist() if said[n] != implied[n]]


def days(s: Sift) -> None:
    """The day of weighing; where it is not said, the batch's packing day, or its making."""
    batches = s.lists["batches"]
    s.when = s.found.when
    s.day = s.when.astype("datetime64[D]")
    if len(batches) and np.isnat(s.day).any():
        lives = batches.groupby("batch")[["packed_on", "made_on"]].min()
        of = lives["packed_on"].fillna(lives["made_on"])
        days = [day_of(of.get(name)) for name in s.batch.values]
        s.day = np.where(np.isnat(s.day), np.array(days, "datetime64[D]")[s.batch.codes], s.day)


def stages(s: Sift) -> None:
    """What a weighing without a stage is: a jar or tin filled, a bar fresh from the cutter."""
    s.stage = s.found.texts["stage"]
    silent = s.stage.where(lambda stage: stage == "")
    products = s.lists["products"].drop_duplicates("product").set_index("product")
    if not silent.any() or not len(products):
        return
    forms = {str(name): squeezed(str(form)) for name, form in products["form"].items()}
    filled = silent & s.product.where(lambda name: forms.get(name, "") in ("jar", "tin"))
    cure = {str(name): float(days) for name, days in products["cure_days"].items()}
    days = s.product.numbers(
        lambda name: cure.get(name, np.nan) if forms.get(name) == "bar" else np.nan
    )
    made = s.lists["batches"].groupby("batch")["made_on"].min()
    made_on = np.array(
        [day_of(made.get(name)) for name in s.batch.values],
        "datetime64[D]",
    )[s.batch.codes]
    age = (s.when.astype("datetime64[D]") - made_on).astype(float)
    age[np.isnat(s.when) | np.isnat(made_on)] = np.nan
    fresh = silent & (age >= 0) & (age <= days)
    codes = np.where(filled, 0, np.where(fresh, 1, s.stage.codes + 2))
    s.stage = Coded(codes, ["filled", "cut", *s.stage.values]).distinct()


def _spellings(names: Iterable[Any]) -> dict[str, str]:
    spelt: dict[str, str] = {}
    for name in names:
        spelt.setdefault(squeezed(str(name)), str(name))
    return spelt
