"""Computed table `computed.sibling_scores`: every van x reading x state against its siblings, per channel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.build import movements
from pipeline.build.codes import IntArray, as_frame, encode
from pipeline.compare.effects_design import dense_codes
from pipeline.compare.nulls import NullTables
from pipeline.compare.score import Cells, Scores, pooled_within_variance, score_cells
from pipeline.compare.tiers import TIERS, VERDICTS, Rules
from pipeline.settings import Settings
from pipeline.warehouse.engines import Engine

SCORES, SUMMARY = "computed.sibling_scores", "computed.score_summary"
PARENTS = (
    "van_levels", "computed.variance_factors", "vocab.parameters", "vocab.settings", *movements.PARENTS,
)  # fmt: skip
_LEVELS = """
select cast(n.van_no - 1 as bigint) as van, cast(c.cell_no - 1 as bigint) as cell, v.window_name, v.y, v.m, v.s2,
    v.first_at, v.last_at, v.is_reader_linked, v.reset_by, nullif(v.component, 'linked') as component,
    coalesce(f.factor, 1) as variance_factor
from van_levels as v
inner join int_numbered_vans as n on v.van = n.van
inner join int_cells as c on v.parameter = c.parameter and v.state = c.state
left join computed.variance_factors as f on v.parameter = f.parameter and v.state = f.state
"""
UNLINKED = (
    "read only by a reader that shares no van with the readers of its siblings: scan it again with one of theirs, "
    "or one of them with this reader"
)
UNREGISTERED = "not in the register: without make, model and model year it has no siblings"


class Channel(NamedTuple):
    """What is compared: where a van stands, how it has moved of late, how unsteady it is, how far it goes between states.

    `windows` hold the rows that tell how scans of one van scatter; `is_log` where values are logarithms of a spread,
    told as what they are logarithms of and judged under the cautious null.
    """

    name: str
    windows: tuple[str, ...]
    is_log: bool = False


CHANNELS = (
    Channel("level", ("level",)),
    Channel("change", ("recent", "earlier")),
    Channel("spread", ("spread",), is_log=True),
    Channel("step", ("step",)),
)
_LOGS = [channel.name for channel in CHANNELS if channel.is_log]


def _in_order(levels: pl.DataFrame, vans: pl.DataFrame) -> pl.DataFrame:
    """Number every row's cohort and family, and put the rows in order of what they are compared with."""
    component, known = encode(levels, ["component"])
    family = encode(vans, ["family_id"])[0][levels["van"].to_numpy()]
    numbered = levels.with_columns(
        cohort=pl.Series(encode(vans, ["cohort_id"])[0]).gather(levels["van"]),
        is_registered=vans["cohort_id"].is_not_null().gather(levels["van"]),
        # vans of one family whose readers never met are not siblings of one another
        family=pl.Series(family * len(known) + component),
    )
    return numbered.sort("window_name", "cell", "cohort", "van")


def _changes(levels: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """One row per van x cell with recent less earlier mean; m is the effective number of scans."""
    keys = ["van", "cell"]
    recent = levels.filter(pl.col("window_name") == "recent")
    earlier = levels.filter(pl.col("window_name") == "earlier").select(*keys, y_before="y", m_before="m")
    both = recent.join(earlier, on=keys, how="inner", maintain_order="left").filter("is_reader_linked")
    needs = settings.evidence
    short = (pl.col("m") < needs.change_recent_scans) | (pl.col("m_before") < needs.change_earlier_scans)
    words = (
        f"a change needs {needs.change_recent_scans} recent and {needs.change_earlier_scans} earlier scans"
    )
    return both.select(
        pl.exclude("y_before", "m_before"),
        channel=pl.lit("change"),
        value=pl.col("y") - pl.col("y_before"),
        weight=1 / (1 / pl.col("m") + 1 / pl.col("m_before")),
        n_scans_earlier=pl.col("m_before"),
        too_few=pl.when(short).then(pl.lit(words)),
    )


def _cells(levels: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """One row per channel x van x cell with what is compared, the channels one behind the other."""
    plain = levels.select(
        pl.all(),
        channel="window_name",
        value="y",
        weight=pl.col("m").cast(pl.Float64),
        n_scans_earlier=pl.lit(None, pl.Int64),
        too_few=pl.lit(None, pl.String),
    )
    return pl.concat(
        [
            _changes(levels, settings) if channel.name == "change" else plain.filter(channel=channel.name)
            for channel in CHANNELS
        ]
    )


def _with_fallback(cells: pl.DataFrame, min_siblings: int) -> pl.DataFrame:
    """Add, for vans with too few siblings, their family as a group in which only they are judged.

    Returns the cells with `group`, `is_target` and `is_fallback`; a van whose family is large enough
    is no longer judged in its own small cohort.
    """
    cohort, family = (_number_within(cells, column) for column in ("cohort", "family"))
    own, wide = (np.bincount(number)[number] for number in (cohort, family))
    falls = (own <= min_siblings) & (wide > min_siblings)
    helps = np.flatnonzero(np.bincount(family, falls)[family] > 0)
    row = np.r_[np.arange(len(cells)), helps]
    is_fallback = np.arange(len(row)) >= len(cells)
    order = np.argsort(_channel_numbers(cells)[row], kind="stable")
    row, is_fallback = row[order], is_fallback[order]
    grouped: pl.DataFrame = cells[row]
    return grouped.with_columns(
        group=pl.Series(np.where(is_fallback, 2 * family[row] + 1, 2 * cohort[row])),
        is_target=pl.Series(np.where(is_fallback, falls[row], ~falls[row])),
        is_fallback=pl.Series(is_fallback),
    )


def _number_within(cells: pl.DataFrame, column: str) -> IntArray:
    """Number the distinct combinations of channel, cell and a column of whole numbers."""
    key = _channel_numbers(cells)
    for name in ("cell", column):
        part = cells[name].to_numpy()
        key = key * (int(part.max(initial=0)) + 1) + part
    return dense_codes(key)[0]


def _channel_numbers(cells: pl.DataFrame) -> IntArray:
    """Place of every row's channel among the channels."""
    names = [channel.name for channel in CHANNELS]
    return cells["channel"].replace_strict(names, range(len(names)), return_dtype=pl.Int64).to_numpy()


def _within_variance(levels: pl.DataFrame, channel: Channel, measures: int) -> np.ndarray:
    """Pooled within-van variance of one scan per measure, raised for the effects fitted on the same scans."""
    scatter = levels.filter(pl.col("window_name").is_in(channel.windows))
    measure, s2, m, factor = (scatter[name].to_numpy() for name in ("cell", "s2", "m", "variance_factor"))
    factors = np.ones(measures)
    factors[measure] = factor  # one for all rows of a measure
    return np.asarray(pooled_within_variance(s2, m, measure, measures) * factors)


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


def _scored(cells: pl.DataFrame, scores: Sequence[Scores]) -> pl.DataFrame:
    """The cells that are someone's to judge, with the scores of all channels beside them."""

    def column(name: str) -> np.ndarray:
        return np.concatenate([getattr(found, name) for found in scores])

    def nullable(name: str) -> pl.Series:
        return pl.Series(column(name).astype(np.float64), nan_to_null=True)

    return cells.with_columns(
        **{name: nullable(name) for name in _FIGURES},
        score=nullable("t"),
        robust=pl.Series(column("robust")),
        is_small_group=pl.Series(column("is_small_group")),
        n_siblings=pl.Series(column("n_siblings").astype(np.int64)),
        tier=pl.Series(TIERS).gather(column("tier")),
        verdict=pl.Series(VERDICTS).gather(column("verdict")),
        reason=pl.concat(pl.Series(found.reasons).gather(found.reason_no) for found in scores).replace(
            "", None
        ),
    ).filter("is_target")


def _off_the_log(scores: Scores) -> Scores:
    """Turn values that are logarithms back; differences become those of the values themselves."""
    base = np.exp(scores.expected)
    differences = ("difference", "interval_low", "interval_high", "detectable", "shrunken_difference")
    values = ("expected", "sibling_median", "sibling_low", "sibling_high")
    return replace(
        scores,
        **{name: np.exp(scores.expected + getattr(scores, name)) - base for name in differences},
        **{name: np.exp(getattr(scores, name)) for name in values},
    )


def _unscored(cells: pl.DataFrame) -> pl.DataFrame:
    """Cells that cannot be compared at all, with the reason in plain words."""
    reason = (
        pl.when(~pl.col("is_registered"))
        .then(pl.lit(UNREGISTERED))
        .when(pl.col("value").is_null())
        .then(pl.lit(UNLINKED))
        .otherwise(pl.col("too_few"))
    )
    return cells.with_columns(
        reason=reason,
        tier=pl.lit("not_enough_evidence"),
        verdict=pl.lit("not_judged"),
        is_fallback=pl.lit(False),
        is_small_group=pl.lit(False),
        robust=pl.lit(False),
        n_siblings=pl.lit(0, pl.Int64),
    )


_FIGURES = (
    "expected", "difference", "interval_low", "interval_high", "df", "p", "q", "detectable", "n_clean",
    "sibling_median", "sibling_low", "sibling_high", "shrunken_difference",
)  # fmt: skip
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


def _named(rows: pl.DataFrame, vans: pl.DataFrame, cells: pl.DataFrame) -> pl.DataFrame:
    """Put names beside numbers; the columns and types of the table."""
    value = pl.col("value")
    named = rows.with_columns(
        *(vans[name].gather(rows["van"]) for name in ("van", "cohort_id")),
        *(cells[name].gather(rows["cell"]) for name in ("parameter", "state", "unit")),
        value=pl.when(pl.col("channel").is_in(_LOGS)).then(value.exp()).otherwise(value),
        n_vans=pl.col("n_siblings") + 1,
        n_scans="m",
        first_seen="first_at",
        last_seen="last_at",
    )
    return named.select(pl.col(c).cast(_TYPES.get(c, pl.String)) for c in COLUMNS)


def _score_channel(
    channel: Channel, cells: pl.DataFrame, w2: np.ndarray, readings: pl.DataFrame, settings: Settings
) -> Scores:
    """Score the cells of one channel; `w2` and `readings` stand by measure."""
    measure, group = cells["cell"].to_numpy(), cells["group"].to_numpy()
    resolution, useful = (
        readings[name].cast(pl.Float64).to_numpy() for name in ("resolution", "smallest_useful")
    )
    if channel.is_log:
        resolution, useful = np.full(
            (2, len(readings)), [[movements.LOG_STEP], [np.log(movements.LEAST_RATIO)]]
        )
    found = score_cells(
        Cells(
            measure=measure,
            group=group,
            y=cells["value"].to_numpy(),
            m=cells["weight"].to_numpy(),
            w2=w2,
            resolution=resolution,
            smallest_useful=useful,
            is_target=cells["is_target"].to_numpy(),
            scans=cells["m"].cast(pl.Float64).to_numpy(),
            matter=cells["van"].to_numpy() * len(readings) + readings["reading"].to_numpy()[measure],
        ),
        NullTables.load(),
        replace(rules_of(settings), is_cautious=channel.is_log),
    )
    return _off_the_log(found) if channel.is_log else found


def score_levels(
    levels: pl.DataFrame, vans: pl.DataFrame, readings: pl.DataFrame, settings: Settings
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Score every channel; return the rows of `computed.sibling_scores` and of `computed.score_summary`.

    Parameters
    ----------
    levels
        One row per window x van x cell, as `_LEVELS` and `movements.read_movements` give them.
    vans, readings
        What the numbers `van` and `cell` stand for, row by row.
    """
    readings = readings.with_columns(reading=pl.Series(encode(readings, ["parameter"])[0]))
    levels = _in_order(levels, vans)
    cells = _cells(levels, settings)
    is_usable = pl.col("is_registered") & pl.col("value").is_not_null() & pl.col("too_few").is_null()
    usable = _with_fallback(cells.filter(is_usable), settings.evidence.min_siblings)
    scores = [
        _score_channel(
            channel,
            usable.filter(channel=channel.name),
            _within_variance(levels, channel, len(readings)),
            readings,
            settings,
        )
        for channel in CHANNELS
    ]
    rows = pl.concat([_scored(usable, scores), _unscored(cells.filter(~is_usable))], how="diagonal")
    summary = {
        name: [float(getattr(found, name)) for found in scores]
        for name in ("cells_tested", "p_cutoff", "expected_by_chance")
    }
    return _named(rows, vans, readings), pl.DataFrame({"channel": [c.name for c in CHANNELS], **summary})


def write_scores(engine: Engine, settings: Settings) -> None:
    """Score every channel and write `computed.sibling_scores` and `computed.score_summary`."""
    vans, readings = movements.read_names(engine)
    moved = movements.read_movements(engine, vans, len(readings))
    levels = pl.concat([as_frame(engine.arrow(_LEVELS)), moved], how="diagonal_relaxed")
    scores, summary = score_levels(levels, vans, readings, settings)
    engine.write(SCORES, scores.to_arrow())
    engine.write(SUMMARY, summary.to_arrow())
