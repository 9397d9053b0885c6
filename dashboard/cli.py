"""The command `kinbay`: the one place that knows the pipeline, the demo and the dashboard."""

from __future__ import annotations

import shutil
import time
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli import HomeOption, TableFormat, app
from pipeline.errors import KinbayError
from pipeline.settings import Home
from pipeline.terminal import print_json, progress, run, say

__all__ = ["app", "main"]


class ChartKind(StrEnum):
    """The pictures that can be drawn from the command line."""

    siblings = "siblings"
    van = "van"
    codes = "codes"
    repair = "repair"
    costs = "costs"
    exposure = "exposure"
    age = "age"
    drift = "drift"
    readers = "readers"
    shares = "shares"


class AgainstKind(StrEnum):
    """What the chart `age` holds a reading against."""

    age = "age"
    odometer = "odometer"
    date = "date"
    other = "other"


class DotKind(StrEnum):
    """What a dot of the chart `age` stands for."""

    van = "van"
    scan = "scan"


class TableKind(StrEnum):
    """The tables over the whole fleet that can be printed."""

    work = "work"
    endings = "endings"
    costs = "costs"
    shares = "shares"


@app.command()
def demo(
    port: Annotated[int | None, typer.Option(help="Port of the dashboard; else a free one.")] = None,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Do not open a browser.")] = False,
    build_only: Annotated[
        bool, typer.Option("--build-only", help="Make, load and build; start nothing.")
    ] = False,
    home: HomeOption = None,
) -> None:
    """Look around in an invented fleet. It is made in HOME/demo, loaded, compared and opened."""
    place = Home(Home.find(home).path / "demo")
    started = time.monotonic()
    _make_demo(place)
    say(f"The demo fleet stands in {place.path} ({time.monotonic() - started:.0f} s).")
    if not build_only:
        from dashboard.serve import serve as start

        start(place.path, port=port, open_browser=not no_browser)


def _make_demo(place: Home) -> None:
    """Generate, load and build; an older demo is replaced, never another home."""
    import demo_warehouse
    from demo_warehouse.generate import generate
    from pipeline import build as building
    from pipeline import ingest

    if (
        place.path.exists()
        and not (place.path / demo_warehouse.MARKER).exists()
        and any(place.path.iterdir())
    ):
        raise KinbayError(
            "The folder for the demo holds something else", str(place.path), "Choose another with --home DIR."
        )
    for folder in (place.inbox, place.originals, place.layouts, place.journal):
        shutil.rmtree(folder, ignore_errors=True)
    for file in place.warehouse.glob("work.duckdb*"):
        file.unlink()
    place.path.mkdir(parents=True, exist_ok=True)
    (place.path / demo_warehouse.MARKER).write_text("Made by kinbay demo; replaced when it runs again.\n")
    with progress("Making the demo fleet") as show:
        generate(place.path, progress=show)
    place = Home(place.path).ensure()
    with progress("Loading") as show:
        loaded = ingest.load(place, [place.inbox], progress=show)
    with progress("Building") as show:
        built = building.build(place, progress=show)
    for line in (loaded.lines()[-1], *built.lines()):
        say(line)


@app.command()
def serve(
    host: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    port: Annotated[int | None, typer.Option(help="Port; else a free one.")] = None,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Do not open a browser.")] = False,
    home: HomeOption = None,
) -> None:
    """Open the dashboard. On this machine only, unless people can sign in and --host says otherwise."""
    from dashboard.serve import serve as start

    start(Home.find(home).path, host=host, port=port, open_browser=not no_browser)


@app.command()
def passphrase(
    role: Annotated[str, typer.Argument(help="view, enter or decide; each may do what those before it may.")],
    home: HomeOption = None,
) -> None:
    """Set a passphrase for the dashboard. With one it may be opened on the network, with kinbay serve --host."""
    from dashboard.access.passphrases import set_passphrase

    given = typer.prompt("Passphrase", hide_input=True, confirmation_prompt="Once more", err=True)
    set_passphrase(Home.find(home), role, given)
    say(f"Kept for the role {role}. Start kinbay serve anew; with --host 0.0.0.0 phones can reach it.")


@app.command()
def chart(
    kind: Annotated[
        ChartKind,
        typer.Argument(
            help="siblings: one reading, all vans; van: one van, all readings; codes: all codes, or one over time; "
            "repair: a reading before and after work; costs: cost of each van; exposure: what goes with parking or a "
            "fitting; age: one reading against age, kilometres, date or another reading; drift: one reading of a van "
            "against its siblings month by month; readers: a reader against the others; shares: where the differences of "
            "all readings in one state come from."
        ),
    ],
    out: Annotated[Path, typer.Option("--out", help="The file: .png, .svg or .pdf.")],
    van: Annotated[str | None, typer.Option(help="The van to mark.")] = None,
    parameter: Annotated[str | None, typer.Option(help="The reading, for siblings.")] = None,
    state: Annotated[str | None, typer.Option(help="The operating state, for siblings.")] = None,
    code: Annotated[str | None, typer.Option(help="The code, for codes; without it all of them.")] = None,
    attribute: Annotated[
        str | None, typer.Option(help="The exposure, such as parking, for exposure.")
    ] = None,
    against: Annotated[
        AgainstKind, typer.Option(help="What a reading is held against, for age.")
    ] = AgainstKind.odometer,
    other: Annotated[
        str | None, typer.Option(help="The other reading, for age against other; in the same state.")
    ] = None,
    dots: Annotated[DotKind, typer.Option(help="One dot a van or a scan, for age.")] = DotKind.van,
    home: HomeOption = None,
) -> None:
    """Save a chart as a picture or page. It carries its title, vans, scans, data date and caveat."""
    from dashboard import exports

    asked = exports.Asked(
        van=van, parameter=parameter, state=state, code=code, attribute=attribute,
        against=against.value, other=other, dots=dots.value,
    )  # fmt: skip
    exports.chart_file(Home.find(home).path, kind.value, asked, out)
    say(f"Wrote {out}.")


@app.command()
def fleet(
    what: Annotated[
        TableKind,
        typer.Argument(
            help="work: all work and whether it held; endings: which work ends which code; costs: cost and days standing "
            "of each van beside its siblings; shares: where the differences of each reading come from."
        ),
    ],
    output: Annotated[TableFormat, typer.Option("--format", help="How to print.")] = TableFormat.table,
    home: HomeOption = None,
) -> None:
    """Print one table over the whole fleet."""
    from dashboard.exports.fleet_tables import read_table
    from dashboard.exports.table import write_csv

    table = read_table(Home.find(home).path, what.value)
    if output is TableFormat.json:
        print_json(table.as_json())
    elif output is TableFormat.csv:
        typer.echo(write_csv(table.rows).decode("utf-8-sig"), nl=False)
    else:
        typer.echo(table.as_text(), nl=False)


@app.command()
def handout(
    out: Annotated[Path, typer.Option("--out", help="The file: .pdf or .html.")],
    van: Annotated[str | None, typer.Option(help="The van it is about.")] = None,
    finding: Annotated[str | None, typer.Option(help="The finding it is about, by its id.")] = None,
    month: Annotated[str | None, typer.Option(help="The month it is about, as 2026-09.")] = None,
    home: HomeOption = None,
) -> None:
    """Write one page for a manager. About a van, a matter or a month; say one of the three."""
    from dashboard import exports

    exports.handout_file(Home.find(home).path, out, van=van, finding=finding, month=month)
    say(f"Wrote {out}.")


@app.command()
def template(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Where to write; made if missing.")],
    home: HomeOption = None,
) -> None:
    """Write empty files to fill in, and a scan sheet to print. One more sheet for each reader with a list."""
    from dashboard.exports import scan_sheet
    from pipeline.journal import read_entries
    from pipeline.read import tidy

    names = tidy.write_templates(folder)
    lists = {str(e["reader"]): e["readings"] for e in read_entries(Home.find(home), "reader_list")}
    for number, (reader, readings) in enumerate([(None, ()), *lists.items()]):
        name = f"scan_sheet{f'_{number}' if number else ''}.pdf"
        (folder / name).write_bytes(scan_sheet.print_sheet(reader, readings))
        names.append(name)
    say(f"Wrote {', '.join(names)} to {folder}. Fill them in and run: kinbay load {folder}")


def main() -> None:
    """Entry point of `kinbay`."""
    run(app)
