"""A fleet whose every text tries something: loaded and built as any other, through the commands' own functions."""

from __future__ import annotations

import csv
import datetime as dt
import json
import random
from pathlib import Path
from typing import Any

from typer.testing import CliRunner

from dashboard.cli import app

# What each text tries. The CSV formulas are those of the OWASP page "CSV Injection"; the control characters of
# bidirectional text are those of Unicode Standard Annex 9; the rest is from memory.
TEXTS = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "=cmd|' /C calc'!A0",
    "../../etc/passwd",
    "long " * 60,
    "\u202egnp.exe\u202c \u2066hidden\u2069",
    "\U0001f69a\U0001f468\u200d\U0001f527 van",
    "two\nlines\tand\rmore",
    "</svg></style></title><svg onload=alert(1)>",
    "${x} {{x}} $\\frac{1}{0}$ %s {0}",
    "[free](javascript:alert(1)) ![p](http://evil.example/p.png) :material/home: <http://evil.example>",
    "datum.van'] + ''); window.open('http://evil.example'); //",
    "@SUM(1+1)*cmd|' /C calc'!A0",
    "]]><!ENTITY x SYSTEM 'file:///etc/passwd'>&x; &lt;b&gt;",
)
START = dt.datetime(2026, 3, 2, 7, 0)
N_SCANS = 6
BAD = TEXTS[0]


def _vans() -> list[str]:
    return [*TEXTS, *(f"plain {n}" for n in range(4))]


def _pick(number: int) -> str:
    return TEXTS[number % len(TEXTS)]


def _scans(folder: Path, draw: random.Random) -> None:
    scans, readings, codes = [], [], []
    for number, van in enumerate(_vans()):
        for k in range(N_SCANS + (2 if van == BAD else 0)):
            key = f"{_pick(k)} {number}-{k}"
            at = START + dt.timedelta(days=28 * k + number, hours=number % 7)
            scans.append({"scan_id": key, "van": van, "reader": _pick(k % 2 + 1), "reader_version": _pick(k + 3),
                          "scanned_at": f"{at:%Y-%m-%dT%H:%M:%S}", "odometer_km": 90_000 + 1_500 * k, "ambient_c": 12,
                          "rest_v": 12.5, "standing_days": 1, "modules": "engine;body", "operator": _pick(k + 5),
                          "note": _pick(number + k)})  # fmt: skip
            shift = -14.0 if van == BAD else 0.0
            for parameter, state, level in (
                ("coolant_temp", "warm_idle", 88 + shift),
                ("supply_voltage", "warm_idle", 14.1),
                ("intake_air_temp", "engine_off", 24.0 + 3 * (number % 2)),
            ):
                value = round(level + draw.gauss(0, 0.4 if level > 20 else 0.05), 2)
                readings.append({"scan_id": key, "reader": _pick(k % 2 + 1), "parameter": parameter, "value": value,
                                 "unit": "V" if parameter == "supply_voltage" else "°C", "state": state})  # fmt: skip
            if van == BAD or number % 3 == 0:
                codes.append({"scan_id": key, "reader": _pick(k % 2 + 1), "module": "engine", "code": "P0128",
                              "status": "stored", "lamp": "yes", "text": _pick(number), "ff_coolant_temp": 71})  # fmt: skip
                codes.append({"scan_id": key, "reader": _pick(k % 2 + 1), "module": "body", "code": _pick(number)[:40],
                              "status": "present", "lamp": "no", "text": _pick(number + 1), "ff_coolant_temp": ""})  # fmt: skip
    _write(folder / "scans.csv", scans)
    _write(folder / "readings.csv", readings)
    _write(folder / "codes.csv", codes)


def _write(path: Path, rows: list[dict[str, Any]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as out:
        writer = csv.DictWriter(out, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


def write_files(folder: Path) -> None:
    """Write the tidy files of the fleet."""
    folder.mkdir(parents=True)
    draw = random.Random(20260301)
    register = [
        {"van": van, "vin": "", "make": TEXTS[1], "model": TEXTS[8], "model_year": 2015, "engine": TEXTS[2],
         "in_service": "2015-05-01", "depot": _pick(number % 3 + 8), "parking": _pick(number % 2 + 10)}
        for number, van in enumerate(_vans())
    ]  # fmt: skip
    _write(folder / "register.csv", register)
    _scans(folder, draw)
    work = [
        {"van": van, "at": "2026-05-20T09:00:00", "what": "replaced", "part": "thermostat" if n == 0 else _pick(n),
         "code": "P0128", "relearn": "unknown", "days_standing": 1, "cost": 120 + n, "note": _pick(n)}
        for n, van in enumerate(_vans()[1:9])
    ]  # fmt: skip
    _write(folder / "work.csv", work)
    notes = [{"van": van, "at": "2026-07-02T08:00:00", "text": _pick(n + 2), "who": _pick(n)} for n, van in enumerate(_vans())]  # fmt: skip
    _write(folder / "notes.csv", notes)
    lines = [{"van": "a\x00b", "at": "2026-07-03T08:00:00", "text": "nul \x00 \x1b[31m red", "who": "\x07"}]
    (folder / "notes.jsonl").write_text("\n".join(map(json.dumps, lines)), encoding="utf-8")


def publish(root: Path) -> Path:
    """Load and build the fleet as a person would, and return its home."""
    write_files(root / "files")
    home = root / "home"
    for command in (["load", str(root / "files")], ["build"]):
        done = CliRunner().invoke(app, [*command, "--home", str(home)])
        assert done.exit_code in (0, 1), done.output
    return home
