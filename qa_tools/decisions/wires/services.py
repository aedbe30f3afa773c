"""Services of wires: from which loaf on each stands as it was last fitted or tightened."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from qa_tools.decisions.wires.cutter import Cutter
from qa_tools.decisions.wires.loaves import Loaves

# What leaves a wire as it was; anything else done to it begins its history anew, whether known or
# not.
LEAVES: Final = "inspected"
KNOWN: Final = ("fitted", "tightened", "moved", "broke", LEAVES)


@dataclass(frozen=True)
class Service:
    """A service that changes a wire: the face it makes, the first loaf after it, what was done."""

    face: int
    row: int
    what: str


def services_of(services: pd.DataFrame | None, loaves: Loaves, cutter: Cutter) -> list[Service]:
    """
    The services that begin the history of a wire anew, with the first loaf cut after each.

    Parameters
    ----------
    services : DataFrame or None
        One row a service: wire (its number on the cutter) and either loaf (the first cut after it)
        or when (loaves cut that day or later, by the clock where both have it, come after it). Of
        use where there: what ("inspected" changes nothing), cutter.

    Returns
    -------
    list of Service
        As rows of loaves; the number of loaves where none was cut since.

    Raises
    ------
    ValueError
        A column missing; services of several cutters; a wire the cutter does not have; a loaf that
        is not there; a date where loaves have none.
    """
    if services is None or services.empty:
        return []
    if "wire" not in services or not {"loaf", "when"} & set(services.columns):
        raise ValueError(
            "services need the columns wire and when, or wire and loaf (the first loaf cut after); "
            f"they have {', '.join(map(str, services.columns))}"
        )
    if "cutter" in services and services["cutter"].nunique() > 1:
        several = ", ".join(sorted(map(str, services["cutter"].dropna().unique())))
        raise ValueError(f"services of several cutters ({several}): give those of one")
    found = []
    for label, row in services.iterrows():
        said = "" if pd.isna(row.get("what", "")) else str(row.get("what", "")).strip()
        if said.casefold() == LEAVES:
            continue
        wire = pd.to_numeric(row["wire"], errors="coerce")
        face = cutter.face(int(wire)) if wire == wire and wire % 1 == 0 else -1
        if not 0 <= face <= cutter.bars:
            raise ValueError(
                f"{_where(label)}: there is no wire {row['wire']}; the wires between bars are "
                f"{cutter.number(1)} to {cutter.number(cutter.bars - 1)}, or do the numbers count "
                "the end wires too?"
            )
        found.append(Service(face, _row(row, label, loaves), said or "serviced"))
    return found


def first_loaves(services: list[Service]) -> dict[int, list[int]]:
    """The first loaf cut after each service, by the face its wire makes."""
    found: dict[int, list[int]] = {}
    for one in services:
        found.setdefault(one.face, []).append(one.row)
    return found


def _where(label: Any) -> str:
    """A row as messages say it: by the words that are its label, else by its place in the table."""
    return label if isinstance(label, str) else f"services, row {label}"


def _row(service: pd.Series[Any], label: Any, loaves: Loaves) -> int:
    """The row of the first loaf cut after a service."""
    if "loaf" in service and pd.notna(service["loaf"]):
        places = np.flatnonzero(loaves.labels == service["loaf"])
        if len(places) == 0:
            raise ValueError(f"{_where(label)}: there is no loaf {service['loaf']} among the bars")
        return int(places[0])
    when = service.get("when")
    if loaves.when is None or pd.isna(when):
        raise ValueError(
            f"{_where(label)}: to place the service, give the bars and the service a when, "
            "or the service the loaf cut first after it"
        )
    return int(
        np.searchsorted(pd.to_datetime(loaves.when).to_numpy(), np.datetime64(pd.Timestamp(when)))
    )
