"""How far steps at readers' software updates can be trusted: `uv run python -m tests.benchmarks.reader_updates`.

Fleets are those of `update_fleets`, seeded by their number; a step is told at a false discovery rate of 5 % over the
updates and readings of a fleet, as the build does. Sizes are in scan-sigmas. Shares of updates and fleets carry 95 %
Wilson intervals; shares of tests and means carry 1.96 standard errors over fleets. `--write` renews the tables of
docs/reader_updates.md.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.build.reader_updates import judge
from pipeline.compare.intervals import wilson
from pipeline.settings import Settings
from tests.benchmarks.update_aftermath import write_aftermath
from tests.benchmarks.update_fleets import SHIFTED, Fleet, draw_fleet, name_software

Floats = NDArray[np.float64]
FLEETS = 200
PAGE = Path(__file__).parents[2] / "docs" / "reader_updates.md"
NO_CHANGE = Fleet(updates=((0, 0), (1, 90)))
HEALTHY = {
    "40 vans, 3 readers, two updates": NO_CHANGE,
    "heavy tails (t, 4 df)": replace(NO_CHANGE, tails=4),
    "season of 3 scan-sigmas": replace(NO_CHANGE, season=3.0),
    "vans drift, 2 over two years": replace(NO_CHANGE, paces=2.0),
    "vans wander, 0.5 a month": replace(NO_CHANGE, wander=0.5),
    "4 scans a van a year": replace(NO_CHANGE, scans=4),
    "8 vans, 2 readers": replace(NO_CHANGE, cohorts=(4, 4), readers=2, updates=((0, 0),)),
    "one reader alone": replace(NO_CHANGE, readers=1, updates=((0, 0),)),
    "reader used on 6 vans": replace(NO_CHANGE, few_vans=6),
    "half of the vans never meet it, which drift": replace(NO_CHANGE, is_local=True, paces=2.0),
    "one reader updated twice in 30 days": replace(NO_CHANGE, updates=((0, 0), (0, 30))),
    "all 3 readers updated in one month": replace(NO_CHANGE, updates=((0, 0), (1, 12), (2, 25))),
    "updated 60 days ago": replace(NO_CHANGE, updates=((0, 0),), days_ago=60),
    "each yard keeps a reader for 14 days": replace(NO_CHANGE, turns=14),
    "the same, and weeks differ by 1": replace(NO_CHANGE, turns=14, weather=1.0),
}
MOVED = {
    "40 vans, 3 readers": Fleet(),
    "4 scans a van a year": Fleet(scans=4),
    "8 vans, 2 readers": Fleet(cohorts=(4, 4), readers=2),
    "reader used on 6 vans": Fleet(few_vans=6),
    "updated 60 days ago": Fleet(days_ago=60),
    "vans wander, 0.5 a month": Fleet(wander=0.5),
    "heavy tails (t, 4 df)": Fleet(tails=4),
    "the other readers updated 60 days before and after": Fleet(updates=((0, 0), (1, -60), (2, 60))),
    "the same, 4 scans a van a year": Fleet(updates=((0, 0), (1, -60), (2, 60)), scans=4),
    "all 3 readers updated in one month": Fleet(updates=((0, 0), (1, 12), (2, 25))),
    "yards keep a reader for 14 days, weeks differ by 1": Fleet(turns=14, weather=1.0),
}
SHIFTS = (0.5, 1.0, 6.0)


@dataclass(frozen=True)
class Told:
    """What was told of the updates of one kind of fleet; arrays over fleets unless said.

    Attributes
    ----------
    updates, judged
        Updates, and those that could be judged in any reading.
    false_updates
        Updates told to have moved a reading that they did not.
    false_readings, readings
        Readings told wrongly, and all told.
    p
        p-values of quiet readings, one array a fleet.
    is_planted, is_found
        The planted step was judged, and told.
    error, is_covered, is_shown
        Of every planted step that was judged, state by state: estimate less truth, within the interval, told.
    """

    updates: NDArray[np.int64]
    judged: NDArray[np.int64]
    false_updates: NDArray[np.int64]
    false_readings: NDArray[np.int64]
    readings: NDArray[np.int64]
    p: tuple[Floats, ...]
    is_planted: NDArray[np.bool_]
    is_found: NDArray[np.bool_]
    error: Floats
    is_covered: NDArray[np.bool_]
    is_shown: NDArray[np.bool_]


def judge_fleet(kind: Fleet, seed: int) -> pl.DataFrame:
    """Return what the build says of a fleet's updates, with `is_planted` and `q_matter`, that of the reading."""
    judged = judge(draw_fleet(kind, seed).levels, Settings())
    moved = kind.updates[0][0]
    return judged.with_columns(
        is_planted=(pl.col("reader_version") == name_software(moved, 1))
        & (pl.col("parameter") == str(SHIFTED))
        & (kind.shift != 0),
        q_matter=pl.col("q").min().over("reader", "reader_version", "parameter"),
    )


def count(kind: Fleet, fleets: range, q: float = 0.05) -> Told:
    """Judge so many fleets and count; a reading is told where any of its states is, at false discovery rate q."""
    update = ["reader", "reader_version"]
    counts, p, planted = [], [], []
    for seed in fleets:
        rows = judge_fleet(kind, seed)
        told = rows.filter(pl.col("q_matter") <= q).unique([*update, "parameter"])
        false = told.filter(~pl.col("is_planted"))
        known = rows.filter(pl.col("p").is_not_null())
        own = known.filter("is_planted")
        counts.append(
            (
                rows.select(update).n_unique(),
                known.select(update).n_unique(),
                false.select(update).n_unique(),
                false.height,
                told.height,
                own.height > 0,
                told.height > false.height,
            )
        )
        p.append(known.filter(~pl.col("is_planted"))["p"].to_numpy())
        planted.append(own.select("step", "low", "high", "is_shown"))
    table = np.array(counts)
    own = pl.concat(planted)
    covered = own.select((pl.col("low") <= kind.shift) & (kind.shift <= pl.col("high"))).to_series()
    return Told(
        updates=table[:, 0],
        judged=table[:, 1],
        false_updates=table[:, 2],
        false_readings=table[:, 3],
        readings=table[:, 4],
        p=tuple(p),
        is_planted=table[:, 5] > 0,
        is_found=table[:, 6] > 0,
        error=own["step"].to_numpy() - kind.shift,
        is_covered=covered.to_numpy(),
        is_shown=own["is_shown"].to_numpy(),
    )


def share(hits: int, n: int) -> str:
    """Return a share in per cent with its interval, or a dash where there is nothing to count."""
    if not n:
        return "–"
    low, high = wilson(hits, n)
    return f"{100 * hits / n:.1f} % ({100 * float(low):.1f} to {100 * float(high):.1f})"


def mean(values: Floats, digits: int = 1, scale: float = 1.0) -> str:
    """Return a mean with 1.96 standard errors."""
    if not len(values):
        return "–"
    reach = 1.96 * values.std() / np.sqrt(len(values))
    return f"{scale * values.mean():.{digits}f} +- {scale * reach:.{digits}f}"


def write_healthy(fleets: range) -> Iterator[str]:
    """Yield the table of updates that changed nothing."""
    yield "| updates that changed nothing | judged | updates told | fleets with any | tests with p <= 5 % | p <= 0.1 % |"
    yield "|---|---|---|---|---|---|"
    for name, kind in HEALTHY.items():
        found = count(kind, fleets)
        tests = [p for p in found.p if len(p)]
        below = [np.array([np.mean(p <= bar) for p in tests]) for bar in (0.05, 0.001)]
        yield (
            f"| {name} | {100 * found.judged.sum() / found.updates.sum():.0f} % | "
            f"{share(int(found.false_updates.sum()), int(found.judged.sum()))} | "
            f"{share(int((found.false_updates > 0).sum()), int((found.judged > 0).sum()))} | "
            f"{mean(below[0], 1, 100)} % | {mean(below[1], 2, 100)} % |"
        )


def write_moved(fleets: range) -> Iterator[str]:
    """Yield the table of updates that moved one reading of twelve."""
    yield (
        "| updates that moved one reading | by | found | false among the told | estimate less truth, all judged | "
        "those told | interval holds the truth |"
    )
    yield "|---|---|---|---|---|---|---|"
    for name, kind in MOVED.items():
        for size in SHIFTS:
            found = count(replace(kind, shift=size), fleets)
            wrong = found.false_readings / np.maximum(found.readings, 1)
            yield (
                f"| {name} | {size:g} | {share(int(found.is_found.sum()), int(found.is_planted.sum()))} | "
                f"{mean(wrong, 3)} | {mean(found.error, 3)} | {mean(found.error[found.is_shown], 3)} | "
                f"{share(int(found.is_covered.sum()), len(found.is_covered))} |"
            )


def make_tables(fleets: int) -> Iterator[tuple[str, Iterator[str]]]:
    """Yield each table's name and rows; all but the first take fewer fleets, a line of them costing more."""
    yield "quiet", write_healthy(range(fleets))
    yield "moved", write_moved(range(fleets // 5))
    seasons = {"12 scans a year": Fleet(), "4 scans a year": Fleet(scans=4)}
    yield "aftermath", write_aftermath(range(fleets // 20), seasons, (2.0, 6.0))


def main() -> None:
    """Print the tables, or renew them in docs/reader_updates.md."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fleets", type=int, default=FLEETS)
    parser.add_argument("--only", help="one table: quiet, moved or aftermath")
    parser.add_argument("--write", action="store_true", help="renew the tables of docs/reader_updates.md")
    asked = parser.parse_args()
    for name, rows in make_tables(asked.fleets):
        if asked.only in (None, name):
            table = "\n".join(rows)
            sys.stdout.write(f"{table}\n\n")
            sys.stdout.flush()
            if asked.write:
                renew(name, table)


def renew(name: str, table: str) -> None:
    """Put a table in its place in docs/reader_updates.md."""
    text = PAGE.read_text("utf-8")
    begin, end = f"<!-- {name}: made by tests/benchmarks/reader_updates.py -->", f"<!-- end of {name} -->"
    text = f"{text[: text.index(begin)]}{begin}\n{table}\n{text[text.index(end) :]}"
    PAGE.write_text(text, "utf-8")


if __name__ == "__main__":
    main()
