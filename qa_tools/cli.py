"""The commands: thin, over the front door; bad input ends with exit status 2 and its reason."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path
from typing import Annotated, NoReturn

import typer

import qa_tools as qa

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Fill-weight quality assurance for small makers.",
)
JsonFlag = Annotated[bool, typer.Option("--json", help="Print the same facts for machines.")]


def main() -> None:
    """Run the command line."""
    try:
        app()
    except (ValueError, OSError) as error:  # ReadingError is a ValueError
        _stop(error)


def _stop(error: Exception) -> NoReturn:
    print(f"qa-tools: {error}", file=sys.stderr)
    raise SystemExit(2)


def _print_json(facts: object) -> None:
    typer.echo(json.dumps(facts, indent=2, ensure_ascii=False))


@app.callback()
def commands() -> None:
    """Fill-weight quality assurance for small makers."""


@app.command()
def review(
    folder: Annotated[Path, typer.Argument(help="The works folder, or one workbook of it.")],
    week: Annotated[
        str | None, typer.Option(help="A date in the week, or 2026-W44; default the last complete.")
    ] = None,
    books: Annotated[
        str | None, typer.Option(help="Rule books instead of the labels' own, with commas.")
    ] = None,
    out: Annotated[Path | None, typer.Option(help="Also write the page: one HTML file.")] = None,
    as_json: JsonFlag = False,
) -> None:
    """The weekly review: which batches hold what their label says, and what to do first."""
    names = [name.strip() for name in books.split(",") if name.strip()] if books else None
    found = qa.review(qa.read_works(folder), week, names)
    if as_json:
        _print_json(found.to_dict())
    else:
        typer.echo(str(found))
    if out is not None:
        page = qa.weekly_page(found, out)
        typer.echo(f"\nPage written: {page}", err=as_json)


@app.command()
def judge(
    file: Annotated[Path, typer.Argument(help="Weights: csv, xlsx or ods.")],
    declared: Annotated[str, typer.Option(help='What the label says: "120 g", "4.2 oz / 120 g".')],
    lot_size: Annotated[int, typer.Option(help="Packages in the lot.")],
    book: Annotated[str, typer.Option(help="Rule book, such as us-hb133.")],
    unit: Annotated[str, typer.Option(help="Of weights that carry none.")] = "g",
    as_json: JsonFlag = False,
) -> None:
    """One list of weights: our own check, and what an inspector would find."""
    readings = qa.read_weights(file, declared=declared, unit=unit)
    table = readings.table[readings.table["judged"]]
    if table.empty:
        raise ValueError(f"{file}: no weight could be used\n{readings}")
    verdict = qa.judge(table["net_g"], declared, book, lot_size=lot_size)
    doubts = [text for text in table["doubt"].unique() if text]
    if doubts and verdict.outcome == "accept":  # no book shows a pass over an open question
        verdict = replace(verdict, outcome="unsettled", reason=doubts[0])
    if as_json:
        from qa_tools.evidence.review import records

        facts = {"format": 1, **verdict.to_dict(), "doubts": doubts}
        _print_json(facts | {"not_used": records(readings.not_used)})
        return
    typer.echo(str(verdict))
    for doubt in doubts:
        typer.echo(f"Not settled: {doubt}")
    for row in readings.not_used.to_dict("records"):
        hint = f" ({row['suggestion']})" if row["suggestion"] else ""
        typer.echo(f"Not used: row {row['row']}, {row['value']!r}: {row['reason']}{hint}")


if __name__ == "__main__":
    main()
