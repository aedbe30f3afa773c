"""A works: its folder read into one tidy table of weighings and the lists beside it."""

from __future__ import annotations

import html
from dataclasses import dataclass
from os import PathLike
from pathlib import Path

import pandas as pd

from qa_tools.readings.actions import record_action
from qa_tools.readings.changed import changes
from qa_tools.readings.folder import contents
from qa_tools.readings.labels import labels_on
from qa_tools.readings.log import log_readings
from qa_tools.readings.weighings import ReadingError, Weighings, read_lists, weigh_up

__all__ = ["Works", "labels_on", "read_works"]


@dataclass(frozen=True, eq=False, repr=False)
class Works:
    """
    A works as its folder tells it.

    Attributes
    ----------
    folder : Path
    name : str
        The folder's name.
    weighings : Weighings
    products, labels, batches, settings, tare, cure, scales, scale_checks, wires, plan, actions, \
dispatch, documents : DataFrame
        The lists, with their columns even where the folder has no such file. Names are text,
        dates datetime64, numbers float, missing text "".
    unread : DataFrame
        What could not be read: file, expected, found, to_do.
    questions : DataFrame
        What only you can answer: file, question, how_to_answer.
    files : DataFrame
        Every file that was read, lists included: file, sha256, and of weights the columns that
        were not used.

    Examples
    --------
    >>> works = getfixture("demo_works")
    >>> works.products["product"].tolist()
    ['oat-honey', 'rosemary-scrub', 'calendula-balm']
    """

    folder: Path
    name: str
    weighings: Weighings
    files: pd.DataFrame
    products: pd.DataFrame
    labels: pd.DataFrame
    batches: pd.DataFrame
    settings: pd.DataFrame
    tare: pd.DataFrame
    cure: pd.DataFrame
    scales: pd.DataFrame
    scale_checks: pd.DataFrame
    wires: pd.DataFrame
    plan: pd.DataFrame
    actions: pd.DataFrame
    dispatch: pd.DataFrame
    documents: pd.DataFrame

    @property
    def unread(self) -> pd.DataFrame:
        """What could not be read: file, expected, found, to_do."""
        return self.weighings.unread

    @property
    def questions(self) -> pd.DataFrame:
        """What only you can answer: file, question, how_to_answer."""
        return self.weighings.questions

    changes = changes
    log_readings = log_readings
    record_action = record_action

    def __str__(self) -> str:
        return f"{self.name}\n{self.weighings}"

    __repr__ = __str__

    def _repr_html_(self) -> str:
        return f"<p>{html.escape(self.name)}</p>{self.weighings._repr_html_()}"


def read_works(folder: str | PathLike[str]) -> Works:
    """
    Read a works: a folder of sheets, or one workbook with a sheet for each.

    Parameters
    ----------
    folder : path
        Files or sheets named products, labels, batches, settings, tare, cure, scales,
        scale_checks, wires, plan, actions, dispatch, documents are those lists; all others, and
        all under ``weights/``, are weighings.

    Returns
    -------
    Works

    Raises
    ------
    ReadingError
        There is no such folder, or nothing in it can be used.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> _ = (folder / "batches.csv").write_text("batch,product\\nQH-12,oat\\n")
    >>> _ = (folder / "oct.csv").write_text("batch,w1,w2\\nQH-12,118.4,119.0\\nQH-21,120.1,\\n")
    >>> works = read_works(folder)
    >>> works.weighings.table[["product", "net_g"]].values.tolist()
    [['oat', 118.4], ['oat', 119.0]]
    >>> works.weighings.not_used[["row", "column", "reason", "suggestion"]].values.tolist()
    [[3, 'w1', 'batch unknown: "QH-21" is not in the list of batches', 'is "QH-12" meant?']]
    """
    place = Path(folder)
    try:
        found = contents(place)
    except FileNotFoundError:
        raise ReadingError(f"there is no folder {place}; check the spelling") from None
    lists = read_lists(found)
    weighings = weigh_up(found, lists)
    name = place.stem if place.is_file() else place.resolve().name
    files = pd.DataFrame(found.sha256.items(), columns=["file", "sha256"], dtype=str)
    ignored = weighings.sources.groupby("file")["ignored"]
    left = ignored.agg(lambda names: ", ".join(filter(None, names)))
    files["columns not used"] = files["file"].map(left).fillna("").astype(str)
    return Works(place, name, weighings, files, **lists.of)
