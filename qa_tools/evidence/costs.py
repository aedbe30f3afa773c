"""What a fill level costs: given away or short, a package and a month, in grams and money."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from qa_tools.charts.change import Change
from qa_tools.readings.labels import declared_range, grams_of
from qa_tools.readings.weighings import answers_of
from qa_tools.readings.works import Works

_DAYS_A_YEAR = 365.25


class Pace(NamedTuple):
    """How much of a product is packed."""

    batches_a_year: float
    packages_a_month: float


def pace(works: Works, product: str) -> Pace:
    """
    How many batches a year of a product, and how many packages a month, at the pace so far.

    Parameters
    ----------
    works : Works
    product : str
        As it is called in the list of products.

    Returns
    -------
    Pace
        From the first to the last day of packing in the list of batches; the packages of the first
        day come before the time that is counted.

    Raises
    ------
    ValueError
        Not packed on two days or more.

    Examples
    --------
    >>> of_jars = pace(getfixture("demo_works"), "rosemary-scrub")
    >>> round(of_jars.batches_a_year), round(of_jars.packages_a_month)
    (70, 579)
    """
    batches = works.batches[works.batches["product"] == product].dropna(subset=["packed_on"])
    days = batches["packed_on"].dt.normalize()
    if days.nunique() < 2:
        raise ValueError(
            f"the pace of {product} needs batches packed on two days or more, in batches.csv, "
            f"column packed_on; found {days.nunique()} of {product}"
        )
    years = (days.max() - days.min()).days / _DAYS_A_YEAR
    later = batches[days > days.min()]
    return Pace(
        later["batch"].nunique() / years, float(later["packages"].sum(min_count=1)) / years / 12
    )


def fill_costs(works: Works, product: str, change: Change) -> pd.DataFrame:
    """
    What the level of the base gives away, and what its change gives away or leaves short.

    Parameters
    ----------
    works : Works
        For the label, the packages of the batches, ``cost_per_kg`` of the product.
    product : str
    change : Change
        From ``charts.since``, of the product's net weights in grams.

    Returns
    -------
    DataFrame
        One row a level: level, held against the label (in words), g a package, likely between, for
        (packages a month; of a single odd batch its own), kg, and money in the currency of the
        settings. What is short is owed to those who buy.

    Raises
    ------
    ValueError
        No label of the product; not packed on two days or more; no packages of a single odd batch.

    Notes
    -----
    Giveaway is the mean net above the largest declared quantity, at what the filling costs
    (common practice, no published source).

    Examples
    --------
    >>> works = getfixture("demo_works")
    >>> jars = works.weighings.table.query("product == 'rosemary-scrub' and stage == 'filled'")
    >>> from qa_tools import charts
    >>> change = charts.since(charts.batch_means(jars["net_g"], jars["batch"], base=12))
    >>> costs = fill_costs(works, "rosemary-scrub", change)
    >>> print(costs[["level", "against the label", "g a package", "for", "kg", "EUR"]].to_string())
                         level against the label  g a package          for    kg   EUR
    0         the level before        given away         3.19  579 a month  1.85  13.3
    1  batch RS-1028 by itself             short         2.49          100  0.25   1.8
    """
    days = works.batches.loc[works.batches["product"] == product, "packed_on"]
    _, declared = declared_range(works.labels, product, days.max())
    if declared is None:
        raise ValueError(f"no label of {product}; add one to labels.csv (product,declared)")
    label = float(grams_of(declared))
    costs = works.products.drop_duplicates("product").set_index("product")["cost_per_kg"]
    money = answers_of(works.settings).general("currency") or "money"
    monthly = pace(works, product).packages_a_month
    base = change.level - change.size
    levels = [("the level before", base, "", monthly, f"{monthly:.0f} a month")]
    if change.verdict != "none":
        between = " to ".join(f"{base + end - label:+.1f}" for end in (change.lower, change.upper))
        which = f"{change.each} {change.first}".strip()
        if change.verdict == "single":
            packed = works.batches.loc[works.batches["batch"] == change.first, "packages"].sum()
            if not packed:
                raise ValueError(
                    f"batches.csv does not say how many packages {change.first} has; fill in the "
                    "column packages"
                )
            row = (f"{which} by itself", change.level, between, float(packed), f"{packed:.0f}")
        else:
            row = (f"since about {which}", change.level, between, monthly, f"{monthly:.0f} a month")
        levels.append(row)
    rows = []
    for name, level, between, packages, words in levels:
        over = level - label
        kilos = abs(over) * packages / 1000
        rows.append(
            {
                "level": name,
                "against the label": "given away" if over >= 0 else "short",
                "g a package": round(abs(over), 2),
                "likely between, g over the label": between,
                "for": words,
                "kg": round(kilos, 2),
                money: round(kilos * float(costs.get(product, np.nan)), 2),
            }
        )
    return pd.DataFrame(rows)
