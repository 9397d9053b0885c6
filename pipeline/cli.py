"""Commands that need no dashboard: load, withdraw, forget, build, findings, van, check, export.

Messages go to stderr, data to stdout. Exit codes: 0 done, 1 done but something needs a person,
2 wrong use or nothing could be done.
"""

from __future__ import annotations

import sys
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipeline.counted import count_of
from pipeline.errors import KinbayError
from pipeline.settings import Home
from pipeline.terminal import print_json, progress, run, say

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

    from pipeline.build import BuildReport

app = typer.Typer(
    name="kinbay",
    help="Compares every van of a fleet with its siblings, and says how sure it is.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    add_completion=False,
    rich_markup_mode=None,
)
HomeOption = Annotated[
    Path | None,
    typer.Option("--home", help="The fleet's folder; else KINBAY_HOME, else ~/kinbay.", show_default=False),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON on stdout.")]


class TableFormat(StrEnum):
    """How rows are printed."""

    table = "table"
    json = "json"
    csv = "csv"


@app.command()
def load(
    paths: Annotated[
        list[Path] | None, typer.Argument(help="Files, folders or zips; else the home's inbox.")
    ] = None,
    layout: Annotated[str | None, typer.Option(help="The reader layout to use for these files.")] = None,
    van: Annotated[str | None, typer.Option(help="The van, where the files do not say.")] = None,
    trial: Annotated[
        bool, typer.Option("--trial", help="Say what would be taken and refused, and store nothing.")
    ] = False,
    and_build: Annotated[
        bool, typer.Option("--build", help="Then compare all vans anew and publish, as kinbay build does.")
    ] = False,
    as_json: JsonOption = False,
    home: HomeOption = None,
) -> None:
    """Read files in and store them. The same file twice changes nothing; rows that cannot be right are listed."""
    if trial and and_build:
        raise KinbayError("A trial stores nothing that could be built", "--trial --build", "Leave one out.")
    from pipeline import ingest

    place = Home.find(home).ensure()
    with ingest.open_store(place) as store:
        with progress("Loading") as show:
            report = ingest.load(
                place,
                paths or [place.inbox],
                layout=layout,
                van=van,
                trial=trial,
                progress=show,
                store=store,
            )
        if not as_json:
            for line in report.lines():
                say(line)
        told: dict[str, Any] = report.as_json()
        if and_build:
            told["build"] = {"build_id": _build_after_loading(place, store)}
    if as_json:
        print_json(told)
    is_left = report.needs_person or (and_build and told["build"]["build_id"] is None)
    raise typer.Exit(1 if is_left else 0)


def _build_after_loading(place: Home, store: DuckDBPyConnection) -> str | None:
    """Build and say what came of it; what was loaded stays where that is not possible, so a fault needs a person."""
    try:
        report = _build(place, store=store)
    except KinbayError as error:
        say(str(error))
        return None
    return report.build_id if report.is_published else None


def _build(place: Home, *, full: bool = False, store: DuckDBPyConnection | None = None) -> BuildReport:
    """Bring the models up to date, publish, and say what came of it."""
    from pipeline import build as building

    with progress("Comparing the vans afresh") as show:
        report = building.build(place, full=full, progress=show, store=store)
    for line in report.lines():
        say(line)
    return report


@app.command()
def layout(
    file: Annotated[Path, typer.Argument(help="A file whose kind is not known yet.")],
    as_json: JsonOption = False,
    accept: Annotated[
        bool, typer.Option("--accept", help="Keep the layout in the home, once nothing is left to ask.")
    ] = False,
    answer: Annotated[
        list[str] | None,
        typer.Option("--answer", help="KIND:SUBJECT=ANSWER for one question; may be given several times."),
    ] = None,
    name: Annotated[str | None, typer.Option(help="What to call the layout.")] = None,
    out: Annotated[Path | None, typer.Option("--out", help="Write the layout's TOML to this file.")] = None,
    ask_columns: Annotated[
        bool, typer.Option("--ask-columns", help="Ask what the columns are, even where none is known.")
    ] = False,
    bounded: Annotated[
        bool, typer.Option("--bounded", help="Stop after a minute of work or 6 GB.", hidden=True)
    ] = False,
    home: HomeOption = None,
) -> None:
    """Look at a strange file and propose how to read it. Shows what would be taken, asks what cannot be decided."""
    from pipeline.ingest import proposing

    if bounded:
        proposing.bound_process()
    place = Home.find(home).ensure()
    told = proposing.parse_answers(answer or [])
    found = proposing.propose_for(place, file, told, name, asks_columns=ask_columns)
    if as_json:
        print_json(found.as_json())
    else:
        sys.stdout.write(found.proposal.toml)
        for line in found.lines():
            say(line)
    if out is not None:
        out.write_text(found.proposal.toml, encoding="utf-8")
        say(f"Wrote {out}.")
    if accept and found.proposal.is_complete:
        kept = proposing.accept(place, file, found.proposal)
        say(f"Kept as {kept}. Now run: kinbay load {file} --layout {kept.stem}")
    elif found.proposal.questions:
        say(f"The questions stand in {proposing.write_questions_beside(file, found.proposal)}.")
    raise typer.Exit(0 if found.proposal.is_complete else 1)


@app.command()
def answer(
    file: Annotated[str, typer.Argument(help="The waiting file's name in the inbox.")],
    subject: Annotated[str, typer.Argument(help="What is asked about, as FILE.question.toml has it.")],
    choice: Annotated[str, typer.Argument(help="The answer: one of the choices.")],
    home: HomeOption = None,
) -> None:
    """Answer what a waiting file asks. The next load takes the answer."""
    from pipeline.ingest import answering

    answering.answer(Home.find(home).ensure(), file, subject, choice)
    say(f"Answered: {subject} is {choice}. Run kinbay load.")


@app.command()
def alias(
    name: Annotated[str, typer.Argument(help="The name as it stands in files: a plate, a nickname ...")],
    van: Annotated[str, typer.Option("--van", help="The van of the register that is meant.")],
    why: Annotated[str, typer.Option("--why", help="Why; kept in the journal.")],
    home: HomeOption = None,
) -> None:
    """Say which van another name means. It holds for all files from the next build on."""
    from pipeline.ingest import correcting

    correcting.name_van(Home.find(home).ensure(), name, van, why)
    say(f"{name} means van {van}. Run kinbay build to bring the findings up to date.")


@app.command()
def correct(
    reader: Annotated[str, typer.Argument(help="The scan's reader.")],
    scan_id: Annotated[str, typer.Argument(help="The scan's id.")],
    why: Annotated[str, typer.Option("--why", help="Why; kept in the journal.")],
    van: Annotated[str | None, typer.Option(help="The van it was really read on.")] = None,
    at: Annotated[str | None, typer.Option(help="When it was really read, ISO 8601.")] = None,
    odometer_km: Annotated[float | None, typer.Option(help="What the odometer really showed, km.")] = None,
    who: Annotated[str, typer.Option(help="Who says so.")] = "",
    home: HomeOption = None,
) -> None:
    """Correct the van, time or odometer of a scan. The original stays; the journal says who and why."""
    from pipeline.ingest import correcting

    place = Home.find(home).ensure()
    correcting.correct_scan(place, reader, scan_id, why, van=van, at=at, odometer_km=odometer_km, who=who)
    say(f"Corrected: {reader}, {scan_id}. Run kinbay build to bring the findings up to date.")


@app.command()
def withdraw(
    file: Annotated[str, typer.Argument(help="The file's name as loaded, or the start of its content hash.")],
    why: Annotated[str, typer.Option("--why", help="Why; kept in the journal.")],
    home: HomeOption = None,
) -> None:
    """Take a wrong file's rows out. The original stays; the journal says why."""
    from pipeline import ingest

    done = ingest.withdraw(Home.find(home).ensure(), file, why)
    say(f"Withdrawn: {done}. Run kinbay build to bring the findings up to date.")


@app.command()
def forget(
    person: Annotated[str, typer.Option("--person", help="The name as it stands in the files.")],
    why: Annotated[str, typer.Option("--why", help="Why, without the name; kept in the journal.")],
    home: HomeOption = None,
) -> None:
    """Remove a person's name everywhere it can be. What cannot be changed is listed."""
    from pipeline import ingest
    from pipeline.warehouse import publish

    place = Home.find(home).ensure()
    done = ingest.forget(place, person, why)
    for line in done.lines():
        say(line)
    is_clean = not done.by_hand
    if place.pointer.exists():
        if _build(place).is_published:
            publish.remove_old(place.warehouse, keep=1)
        else:
            is_clean = False
            say("The last build may hold the name still: mend what stops the build, then run this again.")
    raise typer.Exit(0 if is_clean else 1)


@app.command()
def build(
    full: Annotated[bool, typer.Option("--full", help="Build every model afresh.")] = False,
    home: HomeOption = None,
) -> None:
    """Compare all vans anew and show the result on the dashboard."""
    place = Home.find(home).ensure()
    if not place.work_db.exists() and any(place.originals.iterdir()):
        from pipeline import ingest

        say(
            f"The warehouse was gone: {count_of(ingest.rebuild_raw(place), 'file')} read again from the originals."
        )
    raise typer.Exit(0 if _build(place, full=full).is_published else 1)


@app.command()
def findings(
    output: Annotated[TableFormat, typer.Option("--format", help="How to print.")] = TableFormat.table,
    kind: Annotated[str | None, typer.Option(help="Only this kind, e.g. van_level.")] = None,
    van: Annotated[str | None, typer.Option(help="Only this van.")] = None,
    tier: Annotated[
        str | None, typer.Option(help="Only finding, likely, watch or not_enough_evidence.")
    ] = None,
    where: Annotated[
        str | None, typer.Option(help="Register fields: \"model_year >= 2014 and depot = 'X'\".")
    ] = None,
    home: HomeOption = None,
) -> None:
    """Print what stands out, best evidence first."""
    from pipeline.findings import listing, published
    from pipeline.warehouse import published as files

    with files.reading(Home.find(home)) as connection:
        found = published.read_findings(connection, kind=kind, van=van, tier=tier, where=where)
    if output is TableFormat.json:
        print_json(found)
    elif output is TableFormat.csv:
        sys.stdout.write(published.as_csv(found["findings"]))
    else:
        sys.stdout.write(listing.findings_text(found))


@app.command()
def van(
    name: Annotated[str, typer.Argument(metavar="VAN", help="The van's name, as in the register.")],
    output: Annotated[TableFormat, typer.Option("--format", help="How to print.")] = TableFormat.table,
    home: HomeOption = None,
) -> None:
    """Print one van against its siblings, reading by reading."""
    from pipeline.findings import listing
    from pipeline.warehouse import published as files

    with files.reading(Home.find(home)) as connection:
        cells = listing.van_cells(connection, name)
    if output is TableFormat.json:
        print_json(cells)
    elif output is TableFormat.csv:
        sys.stdout.write(listing.cells_csv(cells))
    else:
        sys.stdout.write(listing.cells_text(cells))


@app.command()
def check(as_json: JsonOption = False, home: HomeOption = None) -> None:
    """Say what here needs a person. Exit code 1 if anything does."""
    from pipeline import health

    found = health.check(Home.find(home))
    if as_json:
        print_json(found.as_json())
    else:
        sys.stdout.write(found.text())
    raise typer.Exit(1 if found.needs_person else 0)


class FileFormat(StrEnum):
    """How tables are written to files."""

    parquet = "parquet"
    csv = "csv"


@app.command()
def export(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Where to write; made if missing.")],
    output: Annotated[FileFormat, typer.Option("--format", help="The files' format.")] = FileFormat.parquet,
    home: HomeOption = None,
) -> None:
    """Write all published tables and findings, a file each."""
    from pipeline.warehouse import published as files

    names = files.export_tables(Home.find(home), folder, output.value)
    say(f"Wrote {len(names)} tables to {folder}.")


def main() -> None:
    """Entry point of `python -m pipeline`."""
    run(app)
