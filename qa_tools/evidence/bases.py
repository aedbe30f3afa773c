"""The base periods of charts that the works agreed on and recorded in settings.csv."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Final, NamedTuple

import pandas as pd

from qa_tools.charts import Base
from qa_tools.evidence.batches import STAGE_WORDS
from qa_tools.evidence.findings import Finding
from qa_tools.readings.answers import CHART_BASE
from qa_tools.readings.headings import folded, nearest
from qa_tools.readings.works import Works

Kind = tuple[str, str]  # a product and a stage
_PERIOD: Final = re.compile(r"(?P<first>[^:]+?)\s+to\s+(?P<last>[^:]+?)\s*(?::\s*(?P<reason>.*))?")
_WRITE: Final = 'Write its first and last batch, and the reason, as "B-01 to B-20: new scoop"'


class Agreed(NamedTuple):
    """A row of settings.csv that fixes the base of a chart."""

    name: str
    value: str
    when: pd.Timestamp

    def fault(self, what: str) -> Finding:
        """Why it is not used, and what to write."""
        said = f'settings.csv: the value "{self.value}" of "{self.name}" is not used: {what}'
        return Finding("to answer", "", f"{said.rstrip('.')}. {_WRITE}.")


def agreed_bases(
    works: Works, until: pd.Timestamp | None = None
) -> tuple[dict[Kind, list[Agreed]], list[Finding]]:
    """
    The bases recorded by a day, in that order, by product and stage; those of no chart are told.

    Parameters
    ----------
    works : Works
    until : Timestamp, optional
        The last day that is known of; rows without a day count.
    """
    names = dict(zip(works.products["product"], works.products["name"], strict=True))
    weighed = works.weighings.table[["product", "stage"]].drop_duplicates()
    kinds = [(str(product), str(stage)) for product, stage in weighed.to_numpy().tolist()]
    called = {
        folded(chart_title(name, words)): (product, stage)
        for product, stage in kinds
        for name in filter(None, (product, names.get(product)))
        for words in (stage, STAGE_WORDS.get(stage, stage))
    }
    found: dict[Kind, list[Agreed]] = {}
    faults = []
    for row in works.settings.sort_values("when", kind="stable").to_dict("records"):
        name = folded(str(row["name"]))
        if not name.startswith(CHART_BASE) or (until is not None and row["when"] > until):
            continue
        one = Agreed(str(row["name"]), str(row["value"]), row["when"])
        kind = called.get(name.removeprefix(CHART_BASE))
        if kind is not None:
            found.setdefault(kind, []).append(one)
            continue
        listed = '", "'.join(sorted(chart_title(*kind) for kind in kinds))
        said = f'settings.csv: "{one.name}" is of no chart here. Write "{CHART_BASE}" and'
        faults.append(Finding("to answer", "", f'{said} "{listed}".'))
    return found, faults


def chart_title(name: str, stage: str) -> str:
    """
    What a chart is of.

    Examples
    --------
    >>> chart_title("Oat bar", "packed")
    'Oat bar, packed'
    """
    return ", ".join(filter(None, (name, stage)))


def in_force(
    agreed: Iterable[Agreed], labels: Sequence[str], ever: Iterable[str]
) -> tuple[list[Base], list[Finding]]:
    """
    The bases as a chart takes them, in order of time; those that cannot be are told.

    A later row replaces those whose period it overlaps or stands before. A base of batches that
    come after the week is not in force yet.

    Parameters
    ----------
    agreed : iterable of Agreed
        In the order recorded.
    labels : sequence of str
        The batches charted, in order.
    ever : iterable of str
        All batches of this product and stage, those after the week too.
    """
    places = {folded(label): place for place, label in enumerate(labels)}
    known = {*places, *map(folded, ever)}
    bases: list[tuple[int, int, Base]] = []
    faults = []
    for one in agreed:
        period = _PERIOD.fullmatch(one.value.strip())
        if period is None:
            faults.append(one.fault("it is no period"))
            continue
        ends = (period["first"], period["last"])
        strange = [end for end in ends if folded(end) not in known]
        if strange:
            near = nearest(strange[0], labels)
            meant = f" (is {near} meant?)" if near else ""
            faults.append(one.fault(f"no batch charted here is called {strange[0]}{meant}"))
            continue
        if not all(folded(end) in places for end in ends):
            continue
        first, last = (places[folded(end)] for end in ends)
        reason = (period["reason"] or "").strip()
        if last <= first:
            faults.append(one.fault(f"{ends[1]} does not come after {ends[0]}"))
        elif bases and not (reason and pd.notna(one.when)):
            faults.append(one.fault("new limits need the reason, and their day in the column when"))
        else:
            day = f"{one.when:%Y-%m-%d}" if pd.notna(one.when) else ""
            bases = [base for base in bases if base[1] < first]
            bases.append((first, last, Base(labels[first], labels[last], day, reason)))
    return [base for _, _, base in bases], faults
