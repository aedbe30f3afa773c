"""Which batch and product a reading is of, on which day and at which stage."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Final

import numpy as np
from numpy.typing import NDArray

from qa_tools.readings.coded import Coded
from qa_tools.readings.headings import nearest, squeezed, words_of
from qa_tools.readings.sift import Sift

_FILES: Final = {"batch": "batches.csv", "product": "products.csv"}


def names(s: Sift) -> None:
    """Batch and product in the spelling of the lists; what cannot be placed is not used."""
    batches, products = s.lists["batches"], s.lists["products"]
    batch_names = {str(name): {str(name)} for name in batches["batch"]}
    s.batch = _placed(s, "batch", batch_names)
    called: dict[str, set[str]] = {str(key): {str(key)} for key in products["product"]}
    keys = set(called)
    for name, key in zip(products["name"], products["product"], strict=True):
        if str(name) and str(name) not in keys:
            called.setdefault(str(name), set()).add(str(key))
    s.product = _placed(s, "product", called)
    given = _products_of_batches(s, _spellings(called))
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
    alone = {batch: next(iter(keys)) for batch, keys in given.items() if len(keys) == 1}
    implied = s.batch.map(lambda name: alone.get(name, "")).distinct()
    said = s.product
    s.product = said.filled(implied)
    if len(said.values) > 1 or said.values != [""]:
        for number in differing(s, said, implied):
            s.remark.add(
                number,
                f'product differs from the list of batches: the row says "{said[number]}", '
                f'the list "{implied[number]}"',
            )
    _unsaid(s, s.batch.where(lambda name: name not in given))
    listed_products = set(products["product"])
    if listed_products:
        strange = s.product.where(lambda name: name != "" and name not in listed_products)
        for number in np.flatnonzero(strange & s.open).tolist():
            s.remark.add(number, f'product not in the list of products: "{s.product[number]}"')


def _unsaid(s: Sift, free: NDArray[np.bool_]) -> None:
    """A batch whose product nothing says: the only product there is, or asked."""
    known = {*map(str, s.lists["products"]["product"]), *map(str, s.lists["labels"]["product"])}
    known.discard("")
    silent = s.product.where(lambda name: name == "") & free & s.open if known else free
    if not known or not silent.any():
        return
    first = int(silent.argmax())
    if len(known) == 1:
        only = known.pop()
        s.product = Coded(np.where(silent, 0, s.product.codes + 1), [only, *s.product.values])
        s.product = s.product.distinct()
        s.remark.add(first, f'product not said: taken as "{only}", the only one there is')
        return
    names = list(dict.fromkeys(s.batch[number] for number in np.flatnonzero(silent).tolist()))
    more = f" and {len(names) - 3} more" if len(names) > 3 else ""
    whose = ", ".join(names[:3]) + more
    s.questions.append((
        "batches.csv",
        f"Of which product is {whose}? batches.csv, which would say it, "
        + ("does not." if len(s.lists["batches"]) else "is missing."),
        "write batch and product in batches.csv, or the product beside each weighing",
    ))  # fmt: skip


def differing(s: Sift, said: Coded, implied: Coded) -> list[int]:
    """The readings whose row says another product than the list of batches."""
    both = said.where(lambda name: name != "") & implied.where(lambda name: name != "")
    return [n for n in np.flatnonzero(both & s.open).tolist() if said[n] != implied[n]]


def days(s: Sift) -> None:
    """The day of weighing, or where not said of the batch; the day whose label judges."""
    firsts = s.lists["batches"].groupby("batch")[["packed_on", "made_on"]].min()
    s.packed = s.by_batch(firsts["packed_on"].to_dict())
    s.day = s.when.astype("datetime64[D]")
    silent = np.isnat(s.day)
    if len(firsts) and silent.any():
        s.day = np.where(silent, s.packed, s.day)
        silent = np.isnat(s.day)
        s.day = np.where(silent, s.by_batch(firsts["made_on"].to_dict()), s.day)
    s.label_day = np.where(np.isnat(s.packed), s.day, s.packed) if len(firsts) else s.day


def stages(s: Sift) -> None:
    """What a weighing without a stage is: a jar or tin filled, a bar fresh from the cutter."""
    said = s.found.texts["stage"]
    silent = said.where(lambda stage: stage == "")
    s.stage = said.map(lambda stage: stage if stage in words_of("stage") else "").distinct()
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
    made_on = s.by_batch(made.to_dict())
    age = (s.when.astype("datetime64[D]") - made_on).astype(float)
    age[np.isnat(s.when) | np.isnat(made_on)] = np.nan
    fresh = silent & (age >= 0) & (age <= days)
    codes = np.where(filled, 0, np.where(fresh, 1, s.stage.codes + 2))
    s.stage = Coded(codes, ["filled", "cut", *s.stage.values]).distinct()


def _placed(s: Sift, what: str, called: Mapping[str, set[str]]) -> Coded:
    """Names in the spelling of their list; what two of them could mean equally is not used."""
    written = s.found.texts[what]
    if not called:
        return written
    spelt = _spellings(called)
    plain = {name: next(iter(keys)) for name, keys in called.items() if len(keys) == 1}
    several = written.where(
        lambda name: name not in plain and len(spelt.get(squeezed(name), ())) > 1
    )
    for number in np.flatnonzero(several & s.open).tolist():
        could = " or ".join(sorted(spelt[squeezed(written[number])]))
        s.refuse(
            number,
            f'{what} not clear: "{written[number]}" may be {could}',
            f"write the {what} as {_FILES[what]} writes it",
        )
    alone = {name: next(iter(keys)) for name, keys in spelt.items() if len(keys) == 1}
    return written.map(lambda name: plain.get(name) or alone.get(squeezed(name), name)).distinct()


def _products_of_batches(s: Sift, spelt: Mapping[str, set[str]]) -> dict[str, set[str]]:
    """The product of each batch; one that is given two is asked about."""
    batches = s.lists["batches"]
    of: dict[str, set[str]] = {}
    for batch, product in zip(batches["batch"], batches["product"], strict=True):
        if product:
            keys = spelt.get(squeezed(str(product)), ())
            of.setdefault(str(batch), set()).add(
                str(product) if str(product) in keys or len(keys) != 1 else next(iter(keys))
            )
    for batch, products in of.items():
        if len(products) > 1:
            both = " and ".join(sorted(products))
            s.questions.append((
                "batches.csv",
                f"Batch {batch} is given two products, {both}: which is it?",
                "correct batches.csv, or write the product beside each weighing",
            ))  # fmt: skip
            silent = s.batch.where(partial(str.__eq__, batch)) & s.product.where(
                lambda name: name == ""
            )
            for number in np.flatnonzero(silent & s.open).tolist():
                s.doubt.add(
                    number,
                    f"batches.csv gives batch {batch} two products, {both}, and the weighing names "
                    "none: correct batches.csv, or write the product beside the weighing.",
                )
    return of


def _spellings(called: Mapping[str, set[str]]) -> dict[str, set[str]]:
    """What each name may mean, whatever its case, gaps and hyphens."""
    spelt: dict[str, set[str]] = {}
    for name, keys in called.items():
        spelt.setdefault(squeezed(name), set()).update(keys)
    return spelt
