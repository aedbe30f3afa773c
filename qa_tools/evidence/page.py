"""The weekly review as one self-contained HTML file."""

from __future__ import annotations

import base64
import gzip
from pathlib import Path
from typing import Any

import pandas as pd

from qa_tools.evidence.charted import DRAWN, HELD
from qa_tools.evidence.review import CAUTION, MOST, Review
from qa_tools.readings.dates import day_words


def weekly_page(review: Review, out: str | Path) -> Path:
    """
    Write the review as one HTML file that needs nothing else: no network, no other files.

    Parameters
    ----------
    review : Review
    out : str or Path
        The file to write; an existing one is replaced.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    ValueError
        `out` is a folder, or lies in one that is not there.

    Notes
    -----
    The picture library is embedded once, packed; a current browser unpacks it. Everything that
    comes from the works' files is escaped: a note ``<script>`` stays text.

    Examples
    --------
    >>> import qa_tools as qa
    >>> folder = getfixture("tmp_path")
    >>> page = weekly_page(qa.review(getfixture("demo_works")), folder / "week.html")
    >>> "What to do first" in page.read_text(encoding="utf-8")
    True
    """
    path = Path(out)
    if path.is_dir():
        raise ValueError(f"{out} is a folder: give the name of a file, such as week.html")
    if not path.parent.is_dir():
        raise ValueError(f"there is no folder {path.parent}; make it first")

    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("qa_tools.evidence"),
        autoescape=True,
        trim_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    has_batches = any(batch.own is not None for batch in review.checks)
    figures = [review.figure(), *(chart.figure() for chart in review.charts)] if has_batches else []
    as_of = "" if pd.isna(review.as_of) else f"As of {day_words(review.as_of)}."
    text = environment.get_template("weekly.html").render(
        review=review,
        as_of=as_of,
        caution=CAUTION,
        more=review.findings[MOST:],
        drawn=DRAWN,
        held=HELD,
        unread=review.unread[review.unread["row"] == 0].to_dict("records"),
        cells=review.unread[review.unread["row"] > 0].to_dict("records"),
        remarks=[(batch.batch, text) for batch in review.checks for text in batch.notes],
        pictures=[_embedded(figure) for figure in figures],
        library=_library() if figures else "",
    )
    path.write_text(text, encoding="utf-8", newline="\n")
    return path


def _embedded(figure: Any) -> str:
    # A "</script>" in a hover text would end the element that carries the data.
    return str(figure.to_json()).replace("<", "\\u003c")


def _library() -> str:
    from plotly.offline import get_plotlyjs

    return base64.b64encode(gzip.compress(get_plotlyjs().encode(), 9, mtime=0)).decode()
