"""A works folder for a test, from a few lines of text."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import qa_tools as qa

LABELS = "product,declared,unit,market,books\nbar,120,g,EU,eu-76-211\n"
PRODUCTS = "product,name,form,cost_per_kg,typical_loss_percent\nbar,Test bar,bar,10,7.5\n"
BATCHES = (
    "batch,product,made_on,packages,packed_on,sell_from\n"
    "B1,bar,2026-09-01,200,2026-10-06,2026-11-20\n"
)


def make_works(
    folder: Path,
    weights: Sequence[float] | str,
    *,
    labels: str = LABELS,
    products: str = PRODUCTS,
    batches: str = BATCHES,
    **more: str,
) -> qa.Works:
    """Write the files and read them; numbers become packed weighings of batch B1, one a row."""
    if not isinstance(weights, str):
        lines = [f"B1,packed,2026-10-06,{weight},g,random" for weight in weights]
        weights = "batch,stage,when,weight,unit,picked\n" + "\n".join(lines) + "\n"
    (folder / "weights").mkdir(parents=True, exist_ok=True)
    files = {"labels": labels, "products": products, "batches": batches, **more}
    for name, text in files.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    (folder / "weights" / "oct.csv").write_text(weights, encoding="utf-8")
    return qa.read_works(folder)


def around(mean: float, n: int = 30, spread: float = 1.0) -> list[float]:
    """Weights evenly spread about a mean, to one decimal, no two alike in a row."""
    return [round(mean + spread * (2 * ((i * 7) % n) / (n - 1) - 1), 1) for i in range(n)]
