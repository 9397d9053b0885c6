"""Computed table `computed.sibling_scores`: every van x reading x state against its siblings, per channel."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import polars as pl

from pipeline.build import movements
from pipeline.build.codes import as_frame, encode
from pipeline.compare.nulls import NullTables
from pipeline.compare.score import Cells, Scores, pooled_within_variance, score_cells
from pipeline.compare.tiers import Rules
from pipeline.settings import Settings
from pipeline.warehouse.engines import Engine

SCORES, SUMMARY = "computed.sibling_scores", "computed.score_summary"
PARENTS = (
    "van_levels", "computed.variance_factors", "vocab.parameters", "vocab.settings", *movements.PARENTS,
)  # fmt: skip
# Vans of one family whose readers never met are not siblings of one another.
_LEVELS = """
select v.van, v.cohort_id,
    case when v.component <> 'linked' then concat(v.family_id, ' ', v.component) else v.family_id end as family_id,
    v.parameter, v.state, v.window_name, v.y, v.m, v.s2, v.first_at, v.last_at,
    v.is_reader_linked, v.reset_by, coalesce(f.factor, 1) as variance_factor,
    p.unit, p.resolution, p.smallest_useful
from van_levels as v
inner join vocab.parameters as p on v.parameter = p.parameter
left join computed.variance_factors as f on v.parameter = f.parameter and v.state = f.state
"""
UNLINKED = (
    "read only by a reader that shares no van with the readers of its siblings: scan it again with one of theirs, "
    "or one of them with this reader"
)
UNREGISTERED = "not in the register: without make, model and model year it has no siblings"


@dataclass(frozen=True)
class Channel:
    """What is compared: where a van stands, how it has moved of late, how unsteady it is, how far it goes between states.

    `cells` picks the cells, `scatter` the rows that tell how scans of one van scatter; `is_log` where values are
    logarithms of a spread, told as what they are logarithms of and judged under the cautious null.
    """

    name: str
    cells: Callable[[pl.DataFrame, Settings], pl.DataFrame]
    scatter: Callable[[pl.DataFrame], pl.DataFrame]
    is_log: bool = False


def number_levels(levels: pl.DataFrame) -> pl.DataFrame:
    """Number measures, vans, cohorts and families once for all channels, and put the rows in order of the numbers."""
    numbered = levels.with_columns(
        pl.Series(name, encode(levels, columns)[0])
        for name, columns in (
            ("measure", ["parameter", "state"]),
            ("van_no", ["van"]),
            ("cohort_no", ["cohort_id"]),
            ("family_no", ["family_id"]),
            ("matter", ["van", "parameter"]),
        )
    )
    return numbered.sort("measure", "cohort_no", "van_no")


def _window_cells(levels: pl.DataFrame, settings: Settings, window: str) -> pl.DataFrame:  # noqa: ARG001 - one shape
    """One row per van x measure with its value in one window, scans, first and last sighting."""
    return levels.filter(pl.col("window_name") == window).with_columns(
        value=pl.col("y"),
        weight=pl.col("m").cast(pl.Float64),
        n_scans=pl.col("m"),
        n_scans_earlier=pl.lit(None, pl.Int64),
        too_few=pl.lit(None, pl.String),
    )


def _change_cells(levels: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """One row per van x measure with recent less earlier mean; m is the effective number of scans."""
    keys = ["van_no", "measure"]
    recent = levels.filter(pl.col("window_name") == "recent")
    earlier = levels.filter(pl.col("window_name") == "earlier").select(*keys, y_before="y", m_before="m")
    both = recent.join(earlier, on=keys, how="inner", maintain_order="left").filter(
        pl.col("is_reader_linked")
    )
    needs = settings.evidence
    short = (pl.col("m") < needs.change_recent_scans) | (pl.col("m_before") < needs.change_earlier_scans)
    words = (
        f"a change needs {needs.change_recent_scans} recent and {needs.change_earlier_scans} earlier scans"
    )
    return both.with_columns(
        value=pl.col("y") - pl.col("y_before"),
        weight=1 / (1 / pl.col("m") + 1 / pl.col("m_before")),
        n_scans=pl.col("m"),
        n_scans_earlier=pl.col("m_before"),
        too_few=pl.when(short).then(pl.lit(words)),
    )


def _rows_of(levels: pl.DataFrame, windows: Sequence[str]) -> pl.DataFrame:
    return levels.filter(pl.col("window_name").is_in(list(windows)))


def _window_channel(name: str, *, is_log: bool = False) -> Channel:
    return Channel(name, partial(_window_cells, window=name), partial(_rows_of, windows=(name,)), is_log)


CHANNELS = (
    _window_channel("level"),
    Channel("change", _change_cells, partial(_rows_of, windows=("recent", "earlier"))),
    _window_channel("spread", is_log=True),
    _window_channel("step"),
)


def _with_fallback(cells: pl.DataFrame, min_siblings: int) -> pl.DataFrame:
    """Add, for vans with too few siblings, their family as a group in which only they are judged.

    Returns the cells with `group_no`, `is_target` and `is_fallback`; a van whose family is large enough
    is no longer judged in its own small cohort.
    """
    own = cells.with_columns(
        n_own=pl.len().over("cohort_no", "measure"), n_family=pl.len().over("family_no", "measure")
    )
    falls = (pl.col("n_own") <= min_siblings) & (pl.col("n_family") > min_siblings)
    own = own.with_columns(falls_back=falls)
    family = own.filter(pl.col("falls_back").any().over("family_no", "measure")).with_columns(
        group_no=pl.col("family_no") * 2 + 1,
        is_target="falls_back",
        is_fallback=pl.lit(True),
    )
    own = own.with_columns(
        group_no=pl.col("cohort_no") * 2,
        is_target=~pl.col("falls_back"),
        is_fallback=pl.lit(False),
    )
    return pl.concat([own, family])


def _within_variance(scatter: pl.DataFrame, measures: int) -> np.ndarray:
    """Pooled within-van variance of one scan per measure, raised for the effects fitted on the same scans."""
    measure, s2, m = (scatter[name].to_numpy() for name in ("measure", "s2", "m"))
    factor = _per_measure(scatter, "variance_factor", measures, 1.0)
    return np.asarray(pooled_within_variance(s2, m, measure, measures) * factor)


def _per_measure(rows: pl.DataFrame, column: str, measures: int, missing: float = np.nan) -> np.ndarray:
    """What a column says of every measure; it says the same in all rows of one."""
    found = np.full(measures, missing)
    found[rows["measure"].to_numpy()] = rows[column].cast(pl.Float64).fill_null(missing).to_numpy()
    return found


def rules_of(settings: Settings) -> Rules:
    """The fleet's evidence floor and tiers, as the score wants them."""
    return Rules(
        min_siblings=settings.evidence.min_siblings,
        small_group=settings.evidence.small_group_siblings,
        min_scans=settings.evidence.min_scans,
        finding_q=settings.tiers.finding_q,
        likely_q=settings.tiers.likely_q,
        watch_p=settings.tiers.watch_p,
    )


def _nullable(values: np.ndarray) -> pl.Series:
    return pl.Series(values.astype(np.float64), nan_to_null=True)


def _scored_rows(channel: str, cells: pl.DataFrame, scores: Scores) -> pl.DataFrame:
    """The cells that are someone's to judge, with their scores, as rows of the table."""
    made = cells.with_columns(
        channel=pl.lit(channel),
        expected=_nullable(scores.expected),
        difference=_nullable(scores.difference),
        interval_low=_nullable(scores.interval_low),
        interval_high=_nullable(scores.interval_high),
        score=_nullable(scores.t),
        df=_nullable(scores.df),
        p=_nullable(scores.p),
        q=_nullable(scores.q),
        robust=pl.Series(scores.robust),
        is_small_group=pl.Series(scores.is_small_group),
        detectable=_nullable(scores.detectable),
        n_siblings=pl.Series(scores.n_siblings.astype(np.int64)),
        n_clean=_nullable(scores.n_clean),
        sibling_median=_nullable(scores.sibling_median),
        sibling_low=_nullable(scores.sibling_low),
        sibling_high=_nullable(scores.sibling_high),
        shrunken_difference=_nullable(scores.shrunken_difference),
        tier=pl.Series(scores.tier_names.astype(str)),
        verdict=pl.Series(scores.verdict_names.astype(str)),
        reason=pl.Series(scores.reason.astype(str)).replace("", None),
    ).filter(pl.col("is_target"))
    return made.with_columns(
        n_vans=pl.col("n_siblings") + 1,
        first_seen="first_at",
        last_seen="last_at",
    )


def _off_the_log(rows: pl.DataFrame) -> pl.DataFrame:
    """Turn values that are logarithms back; differences become those of the values themselves."""
    base = pl.col("expected").exp()
    return rows.with_columns(
        pl.col("value", "expected", "sibling_median", "sibling_low", "sibling_high").exp(),
        *(
            ((pl.col("expected") + pl.col(name)).exp() - base).alias(name)
            for name in ("difference", "interval_low", "interval_high", "detectable", "shrunken_difference")
        ),
    )


def _unscored_rows(channel: str, cells: pl.DataFrame, columns: list[str]) -> pl.DataFrame:
    """Cells that cannot be compared at all, with the reason in plain words."""
    reason = (
        pl.when(pl.col("cohort_id").is_null())
        .then(pl.lit(UNREGISTERED))
        .when(pl.col("value").is_null())
        .then(pl.lit(UNLINKED))
        .otherwise(pl.col("too_few"))
    )
    made = cells.with_columns(
        channel=pl.lit(channel),
        reason=reason,
        tier=pl.lit("not_enough_evidence"),
        verdict=pl.lit("not_judged"),
        is_fallback=pl.lit(False),
        is_small_group=pl.lit(False),
        robust=pl.lit(False),
        n_siblings=pl.lit(0, pl.Int64),
        n_vans=pl.lit(1, pl.Int64),
        first_seen="first_at",
        last_seen="last_at",
    )
    missing = [c for c in columns if c not in made.columns]
    return made.with_columns(**{c: pl.lit(None) for c in missing})


COLUMNS = [
    "channel", "van", "cohort_id", "is_fallback", "parameter", "state", "unit", "value", "expected", "difference",
    "interval_low", "interval_high", "score", "df", "p", "q", "robust", "is_small_group", "detectable", "n_siblings",
    "n_clean", "n_vans", "n_scans", "n_scans_earlier", "first_seen", "last_seen", "sibling_median", "sibling_low",
    "sibling_high", "shrunken_difference", "tier", "verdict", "reason", "reset_by",
]  # fmt: skip
_TYPES: dict[str, type[pl.DataType] | pl.DataType] = {
    **dict.fromkeys(
        ("value", "expected", "difference", "interval_low", "interval_high", "score", "df", "p", "q", "detectable",
         "sibling_median", "sibling_low", "sibling_high", "shrunken_difference"),
        pl.Float64,
    ),
    **dict.fromkeys(("n_siblings", "n_clean", "n_vans", "n_scans", "n_scans_earlier"), pl.Int64),
    **dict.fromkeys(("first_seen", "last_seen"), pl.Datetime("us")),
    **dict.fromkeys(("robust", "is_small_group", "is_fallback"), pl.Boolean),
}  # fmt: skip


def _score_channel(
    channel: Channel, levels: pl.DataFrame, nulls: NullTables, settings: Settings
) -> tuple[pl.DataFrame, dict[str, float]]:
    cells = channel.cells(levels, settings)
    is_usable = (
        pl.col("cohort_id").is_not_null() & pl.col("value").is_not_null() & pl.col("too_few").is_null()
    )
    usable = _with_fallback(cells.filter(is_usable), settings.evidence.min_siblings)
    measure, group = usable["measure"].to_numpy(), usable["group_no"].to_numpy()
    measures = int(levels["measure"].to_numpy().max(initial=-1)) + 1
    scores = score_cells(
        Cells(
            measure=measure,
            group=measure * (int(group.max(initial=0)) + 1) + group,
            y=usable["value"].to_numpy(),
            m=usable["weight"].to_numpy(),
            w2=_within_variance(channel.scatter(levels), measures),
            resolution=_per_measure(usable, "resolution", measures),
            smallest_useful=_per_measure(usable, "smallest_useful", measures),
            is_target=usable["is_target"].to_numpy(),
            scans=usable["n_scans"].cast(pl.Float64).to_numpy(),
            matter=usable["matter"].to_numpy(),
        ),
        nulls,
        replace(rules_of(settings), is_cautious=channel.is_log),
    )
    scored = _scored_rows(channel.name, usable, scores)
    rest = _unscored_rows(channel.name, cells.filter(~is_usable), COLUMNS)
    if channel.is_log:
        scored, rest = _off_the_log(scored), rest.with_columns(pl.col("value").exp())
    rows = pl.concat(
        [f.select(pl.col(c).cast(_TYPES.get(c, pl.String)) for c in COLUMNS) for f in (scored, rest)]
    )
    return rows, {
        "cells_tested": float(scores.cells_tested),
        "p_cutoff": float(scores.p_cutoff),
        "expected_by_chance": float(scores.expected_by_chance),
    }


def write_scores(engine: Engine, settings: Settings) -> None:
    """Score every channel and write `computed.sibling_scores` and `computed.score_summary`."""
    levels = number_levels(
        pl.concat([as_frame(engine.arrow(_LEVELS)), movements.read_movements(engine)], how="diagonal_relaxed")
    )
    nulls = NullTables.load()
    rows, summaries = [], []
    for channel in CHANNELS:
        made, summary = _score_channel(channel, levels, nulls, settings)
        rows.append(made)
        summaries.append({"channel": channel.name, **summary})
    engine.write(SCORES, pl.concat(rows).to_arrow())
    engine.write(SUMMARY, pl.DataFrame(summaries).to_arrow())
