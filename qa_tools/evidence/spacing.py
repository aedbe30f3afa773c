"""Whether the spacing in products.csv fits what bars weigh: else no millimetre can be trusted."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final

import pandas as pd

from qa_tools.decisions.wires.common import Cause
from qa_tools.decisions.wires.words import rows_of

# Fresh soap is 0.95 to 1.06 g/cm³ (worked out from makers' sizes and weights, no published range).
# Widened by about a tenth, for loaves are measured by rule and poured by eye, and salt weighs.
LIGHTEST, HEAVIEST = 0.85, 1.2
NAME: Final = "spacing_mm in products.csv does not fit"


def unfit(bars: pd.DataFrame, products: pd.DataFrame) -> Iterator[Cause]:
    """
    Products whose bars would be too light or too heavy for soap, were they cut as the files say.

    Weights alone show no wrong spacing, for the scale of each loaf is free: cut with both ends
    trimmed or from a stop, every millimetre is out by the same share, and grams hold.

    Parameters
    ----------
    bars : DataFrame
        Bars as cut: product, net_g, spacing_mm.
    products : DataFrame
        product, loaf_width_mm and loaf_height_mm; where those are not given, nothing is told.

    Examples
    --------
    >>> bars = pd.DataFrame({"product": "plain", "net_g": [131.0, 129.0], "spacing_mm": 34})
    >>> sizes = {"product": ["plain"], "loaf_width_mm": [90], "loaf_height_mm": [60]}
    >>> [cause.words for cause in unfit(bars, pd.DataFrame(sizes))]
    ['bars of plain, 90 x 60 x 34 mm and 130 g as cut, would be 0.71 g/cm³, and fresh soap ...']
    """
    sizes = products.drop_duplicates("product").set_index("product")
    middle = bars.groupby("product", sort=False)[["net_g", "spacing_mm"]].median()
    for one in rows_of(middle.join(sizes[["loaf_width_mm", "loaf_height_mm"]]).reset_index()):
        area = float(one.loaf_width_mm) * float(one.loaf_height_mm) / 100
        density = 10 * one.net_g / (area * one.spacing_mm) if area > 0 else math.nan
        if math.isnan(density) or LIGHTEST <= density <= HEAVIEST:
            continue
        size = f"{one.loaf_width_mm:g} x {one.loaf_height_mm:g} x {one.spacing_mm:g} mm"
        words = (
            f"bars of {one.product}, {size} and {one.net_g:.0f} g as cut, would be "
            f"{density:.2f} g/cm³, and fresh soap is {LIGHTEST:g} to {HEAVIEST:g}: measure from "
            "wire to wire, and how wide and high the loaf is; till then trust grams, not "
            "millimetres"
        )
        yield Cause(NAME, math.nan, math.nan, words)
