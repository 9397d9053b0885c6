"""What a step at a reader's update does to the findings on vans, seasons and readers, and how much taking it off mends.

Part of `reader_updates`: the same fleets, each judged with the step left in, taken off in several ways, and never there.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.build.effects import Fitted, fit_levels, fit_months
from pipeline.build.reader_updates import shifts_of
from pipeline.compare.score import Cells, NullTables, Rules, pooled_within_variance, score_cells
from pipeline.settings import Settings
from tests.benchmarks.update_fleets import DAYS, SHIFTED, Fleet, Scans, draw_fleet

Floats = NDArray[np.float64]
LEVEL_DAYS, RECENT_DAYS, RECENT_SCANS, LEAST_EARLIER = 365, 90, 4, 3
ODD, LATE = (
    6.0,
    4.0,
)  # what is planted: a van's level in sd between vans, another's recent change in scan-sigmas
WAYS = (
    "left in",
    "taken off, nothing fitted again",
    "taken off, seasons and biases fitted again (as built)",
    "never there",
)


@dataclass(frozen=True)
class Aftermath:
    """One fleet in one way, in the reading that the update moved.

    Attributes
    ----------
    season, bias
        Root mean square of what is wrong in the month effects of the scans and in the biases of readers.
    false_biases
        Readers and states told to be biased; none is.
    level, change
        Whether the odd van was told by its level, and the van that moved of late by its recent change.
    false_vans
        Others told by either.
    """

    season: float
    bias: float
    false_biases: int
    level: int
    change: int
    false_vans: int


def take_off(scans: Scans) -> dict[str, tuple[Fitted, Floats]]:
    """Return, for each of `WAYS`, what was fitted and the levels less it, shape (rows,)."""
    levels = scans.levels
    first, (built, updates) = fit_months(levels), fit_levels(levels, Settings())
    shift = shifts_of(levels, updates)
    without = fit_months(replace(levels, value=levels.value - scans.shift))
    fitted = (first, first, built, without)
    taken = (np.zeros(len(shift)), shift, shift, scans.shift)
    return {
        way: (fit, levels.value - off - fit.season - fit.bias)
        for way, fit, off in zip(WAYS, fitted, taken, strict=True)
    }


def _season_error(scans: Scans, month_effect: Floats, rows: NDArray[np.bool_]) -> float:
    """What is wrong in the month effects, both centred on each family's scans."""
    wrong = (month_effect - scans.season)[rows]
    levels = scans.levels
    group = levels.measure[rows] * 100 + scans.family[levels.scan[rows]]
    month = group * 100_000 + levels.scans["month"].to_numpy()[levels.scan[rows]]
    for centre in (month, group):  # what a season does within a month no month effect can tell
        _, number = np.unique(centre, return_inverse=True)
        mean = np.bincount(number, wrong) / np.bincount(number)
        wrong = mean[number] if centre is month else wrong - mean[number]
    return float(np.sqrt(np.mean(wrong**2)))


def tell_vans(scans: Scans, adjusted: Floats, *, is_change: bool) -> set[int]:
    """Return the vans told in the moved reading by their level of the last year, or by their recent change."""
    levels = scans.levels
    frame = pl.DataFrame(
        {
            "measure": levels.measure,
            "van": scans.van[levels.scan],
            "day": scans.day[levels.scan],
            "value": adjusted,
        }
    )
    late = (pl.col("day") >= DAYS - RECENT_DAYS) & (
        pl.col("day").rank("ordinal", descending=True).over("measure", "van") <= RECENT_SCANS
    )
    value, now = pl.col("value"), pl.col("is_now")
    parts = (
        frame.with_columns(is_now=late if is_change else pl.col("day") >= DAYS - LEVEL_DAYS)
        .group_by("measure", "van")
        .agg(
            y=value.filter(now).mean(),
            m=now.sum().cast(pl.Float64),
            s2=value.filter(now).var(),
            y0=value.filter(~now).mean(),
            m0=(~now).sum().cast(pl.Float64),
            s20=value.filter(~now).var(),
        )
        .sort("measure", "van")
    )
    y, m, s2, y0, m0, s20 = (
        parts[name].cast(pl.Float64).fill_null(np.nan).to_numpy() for name in parts.columns[2:]
    )
    measure, van = parts["measure"].to_numpy(), parts["van"].to_numpy()
    w2 = pooled_within_variance(s20 if is_change else s2, m0 if is_change else m, measure)
    if is_change:
        is_told = (m >= 2) & (m0 >= LEAST_EARLIER)
        y, m = np.where(is_told, y - y0, np.nan), 1 / (1 / np.maximum(m, 1) + 1 / np.maximum(m0, 1))
    unknown = np.full(len(w2), np.nan)
    group = measure * (int(scans.cohort.max()) + 1) + scans.cohort[van]
    cells = Cells(measure=measure, group=group, y=y, m=m, w2=w2, resolution=unknown, smallest_useful=unknown)
    scores = score_cells(cells, NullTables.load(), Rules())
    return set(van[(scores.tier == 0) & (measure < scans.states * (SHIFTED + 1))].tolist())


def look_at(scans: Scans, fitted: Fitted, adjusted: Floats) -> Aftermath:
    """Return what is wrong in the moved reading, where no reader is biased, and whether the two odd vans are told."""
    rows = scans.levels.measure < scans.states * (SHIFTED + 1)
    readers = fitted.effects.readers
    own = readers.measure < scans.states * (SHIFTED + 1)
    wrong = readers.estimate[own & np.isfinite(readers.estimate)]
    level, change = (tell_vans(scans, adjusted, is_change=is_change) for is_change in (False, True))
    return Aftermath(
        _season_error(scans, fitted.season, rows),
        float(np.sqrt(np.mean(wrong**2))) if len(wrong) else np.nan,
        int((readers.effect[own] != 0).sum()),
        int(scans.odd in level),
        int(scans.late in change),
        len((level | change) - {scans.odd, scans.late}),
    )


def write_aftermath(fleets: range, kinds: dict[str, Fleet], sizes: tuple[float, ...]) -> Iterator[str]:
    """Yield the table of what is wrong in the moved reading, as Markdown."""
    yield (
        "| step of the update | in the scans | error of month effects | error of biases | biases told of 6 that are none | "
        f"van {ODD:g} sd off found | van {LATE:g} off of late found | other vans told |"
    )
    yield "|---" * 8 + "|"
    for name, kind in kinds.items():
        for size in sizes:
            planted = replace(kind, shift=size, biases=0.0, odd=ODD, late=LATE)
            drawn = [draw_fleet(planted, seed) for seed in fleets]
            seen = [{way: look_at(scans, *got) for way, got in take_off(scans).items()} for scans in drawn]
            for way in WAYS:
                found = [one[way] for one in seen]
                means = [
                    np.nanmean([getattr(one, field.name) for one in found]) for field in fields(Aftermath)
                ]
                yield f"| {size:g}, {name} | {way} | {' | '.join(f'{x:.2f}' for x in means)} |"
