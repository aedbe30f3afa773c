"""The page of the pack: every section through its template, into one file that needs nothing."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping, Sequence
from typing import Any

import jinja2
import pandas as pd
from markupsafe import Markup

from qa_tools import __version__
from qa_tools.evidence.pack.section import Section
from qa_tools.evidence.shown import Shown
from qa_tools.readings.dates import day_words


def evidence_page(
    title: str,
    period: str,
    sections: Sequence[Section],
    *,
    identity: str,
    paper: str,
    made_at: dt.datetime,
) -> str:
    """
    The page: no script, no network, no other file.

    Parameters
    ----------
    title, period : str
        The works, and what time is spoken of.
    sections : sequence of Section
    identity : str
        The short one, printed on every page.
    paper : {"A4", "Letter"}
    made_at : datetime

    Notes
    -----
    Everything that comes from the files of a works is escaped: a note ``<script>`` stays text. The
    page also forbids scripts and anything from elsewhere (Content Security Policy).
    """
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("qa_tools.evidence", "templates/pack"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    environment.globals.update(day=_day)
    environment.filters["css"] = css_text
    bodies = [
        Markup(
            environment.get_template(f"{section.key}.html").render(
                facts=section.facts, table=_tables(section), gaps=section.gaps
            )
        )
        for section in sections
    ]
    return environment.get_template("page.html").render(
        title=title,
        period=period,
        sections=list(zip(sections, bodies, strict=True)),
        identity=identity,
        paper=paper,
        made_at=f"{made_at:%Y-%m-%d %H:%M} UTC",
        version=__version__,
    )


def css_text(text: str) -> Markup:
    """
    A text as a quoted string of a style sheet that nothing in it can end.

    Examples
    --------
    >>> print(css_text('A & "B"</style>'))
    "A \\26  \\22 B\\22 \\3c \\2f style\\3e "
    """
    plain = re.sub(r"[^\w .,:;()+-]", lambda found: f"\\{ord(found[0]):x} ", text)
    return Markup(f'"{plain}"')


def _tables(section: Section) -> Any:
    """What templates call to print one of the tables of their section."""

    def table(
        name: str, nothing: str = "None.", heads: Mapping[str, str] | None = None, most: int = 0
    ) -> Markup:
        rows: pd.DataFrame = section.tables[name]
        more = ""
        if most and len(rows) > most:
            path = f"data/{section.key}/{name}.csv"
            more = f"<p class='quiet'>{len(rows) - most} more rows in {path}.</p>"
            rows = rows.head(most)
        if "sha256" in rows:  # whole in the file of the table
            rows = rows.assign(sha256=rows["sha256"].str[:16])
        return Markup(f"<div class='wide'>{Shown(rows, nothing, heads or {}).html()}</div>{more}")

    return table


def _day(day: Any, year: bool = True) -> str:
    return "" if day is None or pd.isna(day) else day_words(pd.Timestamp(day), year=year)
