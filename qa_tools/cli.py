"""The commands: thin, over the front door; bad input ends with exit status 2 and its reason."""

from __future__ import annotations

import io
import json
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal, NoReturn

import typer

import qa_tools as qa

if TYPE_CHECKING:
    import pandas as pd


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
    for stream in (sys.stdout, sys.stderr):  # redirected on Windows, it would not know every name
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(encoding="utf-8")
    try:
        app()
    except OSError as error:
        _stop(f"{error.filename}: {error.strerror}" if error.filename else str(error))
    except ValueError as error:  # ReadingError is one
        _stop(str(error))


def _stop(reason: str) -> NoReturn:
    print(f"qa-tools: {reason}", file=sys.stderr)
    raise SystemExit(2)


def _print_json(facts: object) -> None:
    typer.echo(json.dumps(facts, indent=2, ensure_ascii=True))


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
    log: Annotated[
        bool, typer.Option("--log", help="Also log what was read, in the works.")
    ] = False,
    as_json: JsonFlag = False,
) -> None:
    """The weekly review: which batches hold what their label says, and what to do first."""
    names = _listed(books)
    if names == []:
        raise ValueError(f"--books names no rule book; known: {', '.join(qa.rulebooks().index)}")
    works = qa.read_works(folder)
    found = qa.review(works, week, names)
    page = None if out is None else qa.weekly_page(found, out)
    if as_json:
        _print_json(found.to_dict())
    else:
        typer.echo(str(found))
    if page is not None:
        typer.echo(f"\nPage written: {page}", err=as_json)
    if log:
        typer.echo(f"Logged what was read: {works.log_readings()}", err=as_json)


@app.command()
def judge(
    file: Annotated[Path, typer.Argument(help="Weights: csv, xlsx or ods.")],
    declared: Annotated[str, typer.Option(help='What the label says: "120 g", "4.2 oz / 120 g".')],
    lot_size: Annotated[int, typer.Option(help="Packages in the lot.")],
    book: Annotated[str, typer.Option(help="Rule book, such as us-hb133.")],
    batch: Annotated[str | None, typer.Option(help="Which, where there are several.")] = None,
    unit: Annotated[str, typer.Option(help="Of weights that carry none.")] = "g",
    as_json: JsonFlag = False,
) -> None:
    """One batch of weights: our own check, and what an inspector would find."""
    from qa_tools.evidence.batches import check_lot

    readings = qa.read_weights(file, declared=declared, unit=unit)
    rows = _one_lot(readings.table[readings.table["judged"]], batch)
    if rows.empty:
        raise ValueError("\n".join([f"no weight in {file} could be used", *_left_out(readings)]))
    if len(rows) > lot_size > 0:
        raise ValueError(f"{len(rows)} weighed of {lot_size} packed: one of the two is wrong")
    label = qa.Declaration.parse(declared)
    check = check_lot(
        qa.rulebook(book), label, rows, lot_size, in_order=True
    )  # as in the review, doubts included
    assert check.verdict is not None  # there are rows and a lot size
    verdict = replace(check.verdict, outcome=check.outcome, reason=check.reason)
    doubts = [text for text in rows["doubt"].unique() if text]
    if as_json:
        from qa_tools.evidence.tables import records

        tables = ("not_used", "unread", "questions")
        facts = {"format": 1, **verdict.to_dict(), "doubts": doubts}
        _print_json(facts | {name: records(getattr(readings, name)) for name in tables})
        return
    typer.echo(str(verdict))
    for line in [*(f"Not settled: {doubt}" for doubt in doubts), *_left_out(readings)]:
        typer.echo(line)


@app.command()
def wires(
    folder: Annotated[Path, typer.Argument(help="The works folder, or one workbook of it.")],
    as_json: JsonFlag = False,
) -> None:
    """Cutter wires: which one is slack or off its place, since when, and what to do."""
    found = qa.cutters(qa.read_works(folder))
    if not found.studied:
        raise ValueError(str(found))
    if as_json:
        _print_json(found.to_dict())
    else:
        typer.echo(str(found))


@app.command()
def evidence(
    folder: Annotated[Path, typer.Argument(help="The works folder, or one workbook of it.")],
    out: Annotated[Path, typer.Option(help="The folder of the pack; its zip lies beside it.")],
    start: Annotated[
        str | None, typer.Option(help="First day; all of the data without it.")
    ] = None,
    end: Annotated[str | None, typer.Option(help="Last day.")] = None,
    products: Annotated[str | None, typer.Option(help="Only these, with commas.")] = None,
    batches: Annotated[str | None, typer.Option(help="Only these, with commas.")] = None,
    without_names: Annotated[
        bool, typer.Option("--without-names", help="Leave out people and customers.")
    ] = False,
    paper: Annotated[str, typer.Option(help="A4 or Letter.")] = "A4",
    key: Annotated[Path | None, typer.Option(help="A private key, to sign the pack with.")] = None,
    as_json: JsonFlag = False,
) -> None:
    """The audit pack of a period: evidence.html, its data, and a manifest that shows any change."""
    built = qa.evidence.build(
        folder, start, end, out, _listed(products), _listed(batches),
        without_names=without_names, paper=_paper(paper), key=key,
    )  # fmt: skip
    if as_json:
        _print_json(built.to_dict())
    else:
        typer.echo(str(built))


@app.command()
def verify(
    pack: Annotated[Path, typer.Argument(help="The folder of a pack, or its zip.")],
    expect: Annotated[str | None, typer.Option(help="The seal its maker gave you.")] = None,
    key: Annotated[
        str | None, typer.Option(help="Its maker's fingerprint, or the file of the public key.")
    ] = None,
    as_json: JsonFlag = False,
) -> None:
    """Is a pack as it was built? Exit status 0 where it is, 1 where not, 2 on bad input."""
    found = qa.evidence.verify(pack, expect, key=key)
    if as_json:
        _print_json(found.to_dict())
    else:
        typer.echo(str(found))
    if not found.ok:
        raise typer.Exit(1)


@app.command()
def key(file: Annotated[Path, typer.Argument(help="The file to write.")]) -> None:
    """Make a key to sign packs with; prints the fingerprint that others know it by."""
    mark = qa.evidence.make_key(file)
    typer.echo(f"Private key written: {file}. Keep it to yourself, with a copy in a safe place.")
    typer.echo(f"Fingerprint, to give to retailers by another way than the packs:\n{mark}")


@app.command()
def action(
    folder: Annotated[Path, typer.Argument(help="The works folder.")],
    what: Annotated[str, typer.Argument(help="hold, release, rework, scrap, correction, ...")],
    by: Annotated[str, typer.Option(help="Who did it.")],
    batch: Annotated[str, typer.Option(help="Of which batch.")] = "",
    reason: Annotated[str, typer.Option(help="Why.")] = "",
    when: Annotated[str | None, typer.Option(help="The day; today without it.")] = None,
    cause: Annotated[str, typer.Option(help="What it came from.")] = "",
    approved_by: Annotated[str, typer.Option(help="Who approved it.")] = "",
    checked_on: Annotated[str | None, typer.Option(help="When it was seen to have worked.")] = None,
    closes: Annotated[str, typer.Option(help="The id of the entry that this one ends.")] = "",
    reading: Annotated[str, typer.Option(help='Of a correction: "row 41 of oct.xlsx".')] = "",
    old: Annotated[str, typer.Option(help="Of a correction: what the sheet shows.")] = "",
    new: Annotated[str, typer.Option(help="Of a correction: what it should be.")] = "",
    as_json: JsonFlag = False,
) -> None:
    """Record a hold, a release, a rework, a correction: one row more in actions.csv."""
    given = qa.read_works(folder).record_action(
        what, by=by, batch=batch, reason=reason, when=when, cause=cause, approved_by=approved_by,
        checked_on=checked_on, closes=closes, reading=reading, old=old, new=new,
    )  # fmt: skip
    if as_json:
        _print_json({"format": 1, "id": given})
    else:
        typer.echo(f"Recorded as {given}.")


@app.command()
def card(
    folder: Annotated[Path, typer.Argument(help="The works folder, or one workbook of it.")],
    out: Annotated[Path, typer.Option(help="The HTML file to write; print it from a browser.")],
    product: Annotated[str | None, typer.Option(help="Only this one.")] = None,
    paper: Annotated[str, typer.Option(help="A4 or Letter.")] = "A4",
) -> None:
    """Bench cards from plan.csv: aim, low, high, what to do, and blanks to write in."""
    made = qa.evidence.bench_card(qa.read_works(folder), out, product, paper=_paper(paper))
    typer.echo(f"Cards written: {made}")


def _listed(names: str | None) -> list[str] | None:
    return None if names is None else [one.strip() for one in names.split(",") if one.strip()]


def _paper(paper: str) -> Literal["A4", "Letter"]:
    if paper.casefold() == "letter":
        return "Letter"
    if paper.casefold() == "a4":
        return "A4"
    raise ValueError(f'paper is A4 or Letter, not "{paper}"')


def _one_lot(rows: pd.DataFrame, batch: str | None) -> pd.DataFrame:
    """The rows of the batch asked for, or of the only one; several are never one lot."""
    told = [name or "(none named)" for name in rows["batch"].unique()]
    if batch is not None:
        rows = rows[rows["batch"] == batch]
        if rows.empty and told:
            raise ValueError(f"there is no batch {batch!r}; there are {', '.join(told)}")
    elif len(told) > 1:
        raise ValueError(
            f"there are {len(told)} batches, and each is a lot of its own: {', '.join(told)}; "
            "choose one with --batch NAME"
        )
    for column, what in (("product", "products"), ("stage", "stages of work")):
        several = [name for name in rows[column].unique() if name]
        if len(several) > 1:
            raise ValueError(
                f"batch {rows['batch'].iloc[0]} was weighed as {len(several)} {what}, and they "
                f"are not one lot: {', '.join(several)}; put each into a file of its own"
            )
    if rows["stage"].eq("cut").any():
        raise ValueError("these were weighed at cutting; a book judges bars once they have cured")
    return rows


def _left_out(readings: qa.Weighings) -> list[str]:
    """What did not go into the answer, and why; what has to be answered first."""
    lines = []
    for row in readings.not_used.to_dict("records"):
        hint = f" ({row['suggestion']})" if row["suggestion"] else ""
        where = ", ".join(part for part in (row["file"], row["sheet"]) if part)
        lines.append(
            f"Not used: {where}, row {row['row']}, {row['value']!r}: {row['reason']}{hint}"
        )
    for row in readings.unread.to_dict("records"):
        lines.append(
            f"Not read: {row['file']}: expected {row['expected']}; found {row['found']}. "
            f"{row['to_do']}"
        )
    for row in readings.questions.to_dict("records"):
        lines.append(f"To answer: {row['file']}: {row['question']} ({row['how_to_answer']})")
    return lines


if __name__ == "__main__":
    main()
