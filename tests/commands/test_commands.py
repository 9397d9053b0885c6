"""Every command by its exit code and what it prints: data on stdout, messages on stderr."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import shutil
import subprocess
import sys
from collections import defaultdict
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

import polars as pl
import pypdf
import pytest
from scipy import stats

from dashboard.cli import main
from dashboard.exports.fleet_tables import FleetTable
from dashboard.start import main as main_of_kinbay
from pipeline.findings.records import KINDS, TIERS
from pipeline.settings import Home

REGISTER = "van,make,model,model_year,engine\n" + "".join(
    f"{n:03d},Tarnwell,Bracken 22,2014,2.2D\n" for n in range(1, 8)
)
NOT_WORK = ("cleared", "reader_left_plugged")
FIELDS = {
    "id", "kind", "tier", "van", "scan_id", "cohort", "reader", "attribute", "level", "code", "module", "parameter",
    "state", "also", "against", "value", "expected", "difference", "unit", "interval", "score", "p", "q", "robust",
    "detectable", "n_siblings", "n_vans", "n_scans", "first_seen", "last_seen", "claim", "rivals", "next_check",
    "cautions",
}  # fmt: skip


@dataclass(frozen=True)
class Said:
    """What a command printed."""

    stdout: str
    stderr: str


def kinbay(*words: str | Path, home: Path | None = None, code: int = 0) -> Said:
    """Run the command as its entry point does, with its own arguments, home, stdout and stderr."""
    out, err, argv, before = io.StringIO(), io.StringIO(), sys.argv, os.environ.get("KINBAY_HOME")
    sys.argv = ["kinbay", *map(str, words)]
    if home is not None:
        os.environ["KINBAY_HOME"] = str(home)
    try:
        with redirect_stdout(out), redirect_stderr(err), pytest.raises(SystemExit) as ended:
            main()
    finally:
        sys.argv = argv
        os.environ.pop("KINBAY_HOME", None)
        os.environ.update({} if before is None else {"KINBAY_HOME": before})
    assert (ended.value.code or 0) == code, err.getvalue()
    return Said(out.getvalue(), err.getvalue())


def kinbay_apart(*words: str | Path, home: Path, code: int = 0) -> Said:
    """Run the command in a process of its own, as a shell does."""
    command = [sys.executable, "-c", "from dashboard.cli import main; main()", *map(str, words)]
    env = {**os.environ, "KINBAY_HOME": str(home)}
    done = subprocess.run(command, capture_output=True, text=True, env=env, check=False)
    assert done.returncode == code, done.stderr
    assert "Traceback" not in done.stderr
    return Said(done.stdout, done.stderr)


def write_small_fleet(folder: Path) -> None:
    """Seven like vans, three scans each; van 003 runs cold by far."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "register.csv").write_text(REGISTER)
    scans, readings = ["scan_id,van,reader,scanned_at"], ["scan_id,parameter,value,unit,state"]
    for n in range(1, 8):
        for month in (5, 6, 7):
            scan = f"s{n}-{month}"
            scans.append(f"{scan},{n:03d},Blue handheld,2026-{month:02d}-{n + 3:02d}T08:00:00")
            coolant = 62.0 if n == 3 else 88.0 + 0.3 * n + 0.2 * (month - 6)
            readings.append(f"{scan},coolant_temp,{coolant},°C,warm_idle")
    (folder / "scans.csv").write_text("\n".join(scans) + "\n")
    (folder / "readings.csv").write_text("\n".join(readings) + "\n")


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Home:
    root = tmp_path_factory.mktemp("small")
    write_small_fleet(root / "files")
    home = Home(root / "home")
    kinbay("load", root / "files", "--home", home.path)
    kinbay("build", "--home", home.path)
    return home


@pytest.fixture(scope="module")
def drawn(small: Home, tmp_path_factory: pytest.TempPathFactory) -> Home:
    """A copy for what draws: it keeps the published file open with settings that other commands do not share."""
    home = Home(tmp_path_factory.mktemp("drawn") / "home")
    shutil.copytree(small.path, home.path)
    return home


@pytest.fixture(scope="module")
def drawn_demo(demo_home: Home, tmp_path_factory: pytest.TempPathFactory) -> Home:
    """What the demo publishes, copied for the same reason."""
    home = Home(tmp_path_factory.mktemp("drawn_demo") / "home").ensure()
    published = json.loads(demo_home.pointer.read_text("utf-8"))["file"]
    for name in (home.pointer.name, published):
        shutil.copy(demo_home.warehouse / name, home.warehouse / name)
    return home


def test_loading_reports_each_file_as_json(tmp_path: Path) -> None:
    write_small_fleet(tmp_path / "files")
    (tmp_path / "files" / "readings.csv").open("a").write("s1-5,coolant_tmp,88,°C,\n")
    done = kinbay("load", tmp_path / "files", "--home", tmp_path / "home", "--json", code=1)
    report = {f["file"]: f for f in json.loads(done.stdout)["files"]}
    assert report["register.csv"]["taken"] == 7
    bad = report["readings.csv"]
    assert (bad["taken"], bad["duplicates"], bad["rejected"], bad["table"]) == (21, 0, 1, "readings")
    assert bad["rejects"][0]["line"] == 23
    assert "coolant_temp" in bad["rejects"][0]["remedy"]
    again = json.loads(
        kinbay("load", tmp_path / "files" / "scans.csv", "--home", tmp_path / "home", "--json").stdout
    )
    assert (again["files"][0]["taken"], again["files"][0]["duplicates"]) == (0, 21)


def test_loading_and_building_at_once_gives_one_report(tmp_path: Path) -> None:
    write_small_fleet(tmp_path / "files")
    home = tmp_path / "home"
    lonely = kinbay("load", tmp_path / "files" / "readings.csv", "--build", "--json", "--home", home, code=1)
    told = json.loads(lonely.stdout)
    assert told["files"][0]["taken"] == 21
    assert told["build"] == {"build_id": None}
    assert "There is nothing to build" in lonely.stderr
    done = kinbay("load", tmp_path / "files", "--build", "--json", "--home", home)
    built = json.loads(done.stdout)["build"]["build_id"]
    found = json.loads(kinbay("findings", "--format", "json", "--home", home).stdout)
    assert found["build_id"] == built
    assert found["vans"] == 7
    assert f"Built {built}: 7 vans" in done.stderr
    (tmp_path / "late.csv").write_text("van,at,text\n003,2026-03-05T10:00,smells hot\n003,soon,?\n")
    told_apart = kinbay("load", tmp_path / "late.csv", "--build", "--home", home, code=1)
    assert "late.csv: notes, 1 taken, 1 left out" in told_apart.stderr
    assert "Built " in told_apart.stderr
    assert told_apart.stdout == ""
    refused = kinbay("load", tmp_path / "late.csv", "--build", "--trial", "--home", home, code=2)
    assert "--trial --build" in refused.stderr


@pytest.mark.parametrize("stop_by", [KeyboardInterrupt(), RuntimeError("Query interrupted")])
def test_a_command_that_is_stopped_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, stop_by: BaseException
) -> None:
    """By a real Ctrl-C DuckDB 2.0.1 raises the second where it falls into a query, the first elsewhere."""

    def stop(*_: object, **__: object) -> None:
        raise stop_by

    monkeypatch.setattr("pipeline.ingest.load", stop)
    told = kinbay("load", "--build", "--home", tmp_path / "home", code=2)
    assert told.stderr == "Stopped; nothing half-done was kept.\n"


def test_a_command_that_is_stopped_before_it_is_loaded_says_so(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    class Loading(ModuleType):
        @property
        def main(self) -> None:
            raise KeyboardInterrupt

    monkeypatch.setitem(sys.modules, "dashboard.cli", Loading("dashboard.cli"))
    with pytest.raises(SystemExit, match="2"):
        main_of_kinbay()
    assert capsys.readouterr().err == "Stopped before anything was done.\n"


def test_findings_come_in_the_agreed_shape(small: Home) -> None:
    found = json.loads(kinbay("findings", "--format", "json", home=small.path).stdout)
    assert set(found) == {
        "build_id",
        "built_at",
        "data_to",
        "vans",
        "cells_tested",
        "expected_by_chance",
        "findings",
    }
    assert found["vans"] == 7
    (cold,) = [f for f in found["findings"] if f["kind"] == "van_level"]
    assert set(cold) == FIELDS
    assert cold["kind"] in KINDS
    assert cold["tier"] in TIERS
    assert (cold["van"], cold["parameter"], cold["state"]) == ("003", "coolant_temp", "warm_idle")
    assert cold["cohort"] == {"make": "Tarnwell", "model": "Bracken 22", "engine": "2.2D", "model_year": 2014}
    assert cold["interval"][0] < cold["difference"] < cold["interval"][1] < 0
    assert cold["n_siblings"] == 6
    assert cold["last_seen"].endswith("Z")


def test_findings_as_csv_and_table_and_filtered(small: Home) -> None:
    rows = list(csv.DictReader(io.StringIO(kinbay("findings", "--format", "csv", home=small.path).stdout)))
    assert rows[0]["van"] == "003"
    assert "below its 6 siblings" in kinbay("findings", home=small.path).stdout.replace("\n", " ").replace(
        "  ", " "
    )
    empty = kinbay("findings", "--where", "model_year > 2014", "--format", "json", home=small.path)
    assert json.loads(empty.stdout)["findings"] == []
    kept = kinbay(
        "findings", "--where", "make = tarnwell", "--van", "003", "--format", "json", home=small.path
    )
    assert len(json.loads(kept.stdout)["findings"]) == len(rows)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("findings", "--kind", "van_levle"), "Did you mean van_level?"),
        (("findings", "--van", "0003"), "Did you mean 003?"),
        (("findings", "--where", "modelyear = 3"), "Did you mean model_year?"),
        (("van", "nobody"), "There is no van"),
        (
            ("chart", "siblings", "--parameter", "coolant_tmp", "--state", "warm_idle", "--out", "x.png"),
            "coolant_temp",
        ),
        (("withdraw", "nothing.csv", "--why", "wrong"), "nothing.csv"),
    ],
)
def test_wrong_words_are_answered_with_the_nearest_and_exit_2(
    drawn: Home, words: tuple[str, ...], said: str
) -> None:
    assert said in kinbay(*words, home=drawn.path, code=2).stderr


def test_one_van_is_told_in_full(small: Home) -> None:
    told = json.loads(kinbay_apart("van", "003", "--format", "json", home=small.path).stdout)
    assert told["van"]["model_year"] == 2014
    assert [c["verdict"] for c in told["cells"] if c["channel"] == "level"] == ["below"]
    assert told["codes"] == []
    assert told["drifts"] == []  # too few scans for anybody's siblings to be seen moving
    text = kinbay("van", "003", home=small.path).stdout
    assert "engine coolant temperature, warm idle" in text
    assert "Drift away from siblings (0 readings and states followed)" in text
    assert "None on record; that counts only for modules that were asked and answered." in text


def test_charts_and_handout_are_what_their_names_say(drawn: Home, tmp_path: Path) -> None:
    for ending, start in (("png", b"\x89PNG"), ("svg", b"<svg"), ("pdf", b"%PDF")):
        out = tmp_path / f"siblings.{ending}"
        kinbay(
            "chart", "siblings", "--parameter", "coolant_temp", "--state", "warm_idle", "--van", "003", "--out", out,
            home=drawn.path,
        )  # fmt: skip
        assert out.read_bytes().startswith(start)
    kinbay("chart", "van", "--van", "003", "--out", tmp_path / "van.svg", home=drawn.path)
    assert "003" in (tmp_path / "van.svg").read_text()
    kinbay("handout", "--van", "003", "--out", tmp_path / "003.pdf", home=drawn.path)
    assert (tmp_path / "003.pdf").read_bytes().startswith(b"%PDF")
    kinbay("handout", "--van", "003", "--out", tmp_path / "003.html", home=drawn.path)
    wrong = (
        "chart",
        "siblings",
        "--parameter",
        "coolant_tmp",
        "--state",
        "warm_idle",
        "--out",
        tmp_path / "x.png",
    )
    assert "coolant_temp" in kinbay(*wrong, home=drawn.path, code=2).stderr
    assert "62" in (tmp_path / "003.html").read_text()


def test_every_table_is_exported(small: Home, tmp_path: Path) -> None:
    kinbay_apart("export", tmp_path / "csv", "--format", "csv", home=small.path)
    kinbay("export", tmp_path / "parquet", home=small.path)
    first_line = (tmp_path / "csv" / "sibling_differences.csv").read_text("utf-8").splitlines()[0]
    assert first_line.startswith('"van","parameter","state","van_no"')
    names = {p.stem for p in (tmp_path / "csv").iterdir()}
    assert {"findings", "sibling_scores", "vans", "scans", "rejects", "builds"} <= names
    assert names == {p.stem for p in (tmp_path / "parquet").iterdir()}
    assert pl.read_parquet(tmp_path / "parquet" / "vans.parquet")["van"].sort().to_list()[0] == "001"


def test_a_withdrawn_file_is_gone_after_the_next_build(small: Home, tmp_path: Path) -> None:
    home = tmp_path / "home"
    shutil.copytree(small.path, home)
    kinbay("withdraw", "readings.csv", "--why", "wrong van", "--home", home)
    assert any("wrong van" in p.read_text() for p in (home / "journal").iterdir())
    kinbay("build", "--home", home)
    found = json.loads(kinbay("findings", "--format", "json", "--home", home).stdout)
    assert found["findings"] == []
    assert found["cells_tested"] == 0


def test_check_says_what_needs_a_person(small: Home, tmp_path: Path) -> None:
    told: dict[str, Any] = json.loads(kinbay("check", "--json", home=small.path, code=1).stdout)
    assert told["needs_person"] is True
    assert {m["subject"] for m in told["matters"]} == {"van 003"}
    assert "no home folder" in kinbay("check", "--home", tmp_path / "nowhere", code=2).stderr


def test_commands_before_anything_is_built_say_what_to_do(tmp_path: Path) -> None:
    assert "kinbay build" in kinbay("findings", "--home", tmp_path / "new", code=2).stderr
    assert "kinbay load" in kinbay("build", "--home", tmp_path / "new", code=2).stderr


def test_templates_load_as_they_are(tmp_path: Path) -> None:
    kinbay("template", tmp_path / "empty")
    names = {p.name for p in (tmp_path / "empty").iterdir()}
    assert {"register.csv", "scans.csv", "readings.csv", "codes.csv"} <= names
    header = (tmp_path / "empty" / "scans.csv").read_text().splitlines()[0]
    assert {"scan_id", "van", "reader", "scanned_at"} <= set(header.split(","))
    report = json.loads(kinbay("load", tmp_path / "empty", "--home", tmp_path / "home", "--json").stdout)
    assert [f["taken"] for f in report["files"]] == [0] * len([n for n in names if n.endswith(".csv")])
    sheet = pypdf.PdfReader(tmp_path / "empty" / "scan_sheet.pdf")
    assert [float(side) for side in sheet.pages[0].mediabox[2:]] == [595, 842]
    words = sheet.pages[0].extract_text()
    assert all(
        w in words for w in ("Odometer", "Battery at rest", "Codes", "Modules that answered", "Who read it")
    )


def test_the_demo_stands_and_says_how_many_vans(demo_home: Home) -> None:
    found = json.loads(kinbay("findings", "--format", "json", home=demo_home.path).stdout)
    assert found["vans"] > 50
    kinds = {f["kind"] for f in found["findings"]}
    assert {"van_level", "van_change", "cohort_offset", "record_conflict"} <= kinds


def test_costs_of_the_fleet_are_those_written_down(demo_home: Home, drawn_demo: Home) -> None:
    home = drawn_demo.path
    table = json.loads(kinbay("fleet", "costs", "--format", "json", home=home).stdout)
    (file,) = (file for file in demo_home.originals.glob("*.csv") if b"van,at,what" in file.read_bytes()[:20])
    work = pl.read_csv(file, schema_overrides={"van": pl.String})
    first = table["rows"][0]
    since = first["window_from"]
    counted = work.filter(pl.col("at") >= since, ~pl.col("what").is_in(NOT_WORK))
    written = dict(counted.group_by("van").agg(pl.col("cost").sum()).iter_rows())
    told = {row["van"]: row["cost"] for row in table["rows"] if row["cost"] is not None}
    assert len(told) > 40
    assert told == pytest.approx({van: written[van] for van in told})
    text = kinbay("fleet", "costs", home=home).stdout
    assert text.startswith(f"Cost and days standing beside the siblings: {len(table['rows'])} rows, data to ")
    assert re.search(rf"^ {first['van']} .* {first['cost_per_10000_km']:.0f} ", text, re.M)


def test_the_share_of_vans_a_code_left_has_a_published_interval(drawn_demo: Home) -> None:
    """Wilson's interval of a proportion (1927, JASA 22:209), as scipy has it."""
    rows = json.loads(kinbay("fleet", "endings", "--format", "json", home=drawn_demo.path).stdout)["rows"]
    judged = [row for row in rows if row["n_judged"]]
    assert max(row["n_judged"] for row in judged) > 1
    for row in judged:
        between = stats.binomtest(row["n_ended"], row["n_judged"]).proportion_ci(method="wilson")
        assert (row["share_low"], row["share_high"]) == pytest.approx(tuple(between), abs=1e-9)
    first, text = rows[0], kinbay("fleet", "endings", home=drawn_demo.path).stdout
    low, high = 100 * first["share_low"], 100 * first["share_high"]
    assert f"{100 * first['share']:.0f} % ({low:.0f} to {high:.0f})" in text


def test_work_and_shares_of_the_fleet_are_told(drawn_demo: Home) -> None:
    """Relay, brake pads and the like: every kind of verdict the demo plants is among the work."""
    text = kinbay("fleet", "work", home=drawn_demo.path).stdout
    for words in ("Held (", "Did not hold", "Too early (0 of 2 scans)", "No reading to judge by"):
        assert words in text
    rows = list(
        csv.DictReader(io.StringIO(kinbay("fleet", "shares", "--format", "csv", home=drawn_demo.path).stdout))
    )
    by_reading: dict[tuple[str, str], float] = defaultdict(float)
    for row in rows:
        by_reading[row["parameter"], row["state"]] += float(row["share"] or 0)
    assert len(by_reading) > 20
    assert all(total == pytest.approx(1, abs=1e-6) for total in by_reading.values() if total)


def test_times_are_iso_and_names_cannot_command_the_terminal(demo_home: Home, drawn_demo: Home) -> None:
    found = json.loads(kinbay("findings", "--format", "json", home=demo_home.path).stdout)
    work = json.loads(kinbay("fleet", "work", "--format", "json", home=drawn_demo.path).stdout)
    assert work["data_to"] == found["data_to"]
    assert all(re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", row["worked_at"]) for row in work["rows"])
    rows = pl.DataFrame({"Van": ["\x1b[2J\u202e047", None], "Km": [1, 2]})
    text = FleetTable("Costs", "Key.", "Nothing.", rows, rows, "b", None).as_text()
    assert "047" in text
    assert not set("\x1b\u202e") & set(text)


def test_tables_of_a_fleet_without_work_say_what_to_do(drawn: Home) -> None:
    assert "Write down what was done" in kinbay("fleet", "work", home=drawn.path).stdout
    assert "Scan before and after work" in kinbay("fleet", "endings", home=drawn.path).stdout
    assert json.loads(kinbay("fleet", "endings", "--format", "json", home=drawn.path).stdout)["rows"] == []


def test_the_demo_never_replaces_another_home(tmp_path: Path) -> None:
    (tmp_path / "demo").mkdir()
    (tmp_path / "demo" / "letters.txt").write_text("mine")
    kinbay("demo", "--build-only", "--home", tmp_path, code=2)
    assert (tmp_path / "demo" / "letters.txt").read_text() == "mine"


def test_the_same_commands_run_without_the_dashboard(small: Home) -> None:
    command = [sys.executable, "-m", "pipeline", "findings", "--format", "json", "--home", str(small.path)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert json.loads(done.stdout)["vans"] == 7
