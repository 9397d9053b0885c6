"""Charts of exposures for print, each with its caption."""

from __future__ import annotations

import polars as pl

from dashboard.charts.exposure_words import NOT_CAUSE, Contrast, say_count, say_effect, say_figures, say_pairs
from dashboard.charts.exposures import MOST_COHORTS, draw_exposure
from dashboard.charts.frame import Chart
from dashboard.charts.palette import PRINT
from dashboard.charts.shift_rows import draw_shifts
from dashboard.charts.words import Reading, clean_text
from dashboard.exports.picture import Caption, caption_of
from dashboard.questions import exposures, fleet
from dashboard.questions.filters import Filters
from dashboard.questions.warehouse import Warehouse
from pipeline.errors import KinbayError, nearest

SHIFTS_KEY = (
    "Each row is one reading. Mark: vans at the level less vans at the other, within groups of siblings; line: 95 %"
    " interval. 1 on the axis is what would be worth a look in one van."
)
EXPOSURE_KEY = (
    "Each mark is one van, upper lane one level, lower lane the other; bars: medians; thin lines: vans seen both ways."
    " Other exposures are not taken off here; they are in the tested shift."
)


def choose_rows(rows: pl.DataFrame, contrast: Contrast) -> pl.DataFrame:
    """Return the readings tested against one contrast, surest first."""
    mine = (pl.col("attribute") == pl.lit(contrast.attribute)) & (pl.col("level") == pl.lit(contrast.level))
    return rows.filter(mine)


def find_contrast(rows: pl.DataFrame, attribute: str | None) -> Contrast:
    """Return the contrast of this attribute that stands out most; without one, that of any.

    Raises
    ------
    KinbayError
        Where no exposure was tested, or none of that name; the nearest is named.
    """
    if rows.is_empty():
        raise KinbayError(
            "No exposure could be compared: too few vans differ in any",
            remedy="Write parking and fittings into the register or an exposures file.",
        )
    named = rows
    if attribute is not None:
        wanted = attribute.strip().casefold().replace(" ", "_")
        named = rows.filter(pl.col("attribute").str.to_lowercase().str.replace_all(" ", "_") == wanted)
    if named.is_empty():
        known = rows["attribute"].unique().sort().to_list()
        hint = nearest(attribute or "", known)
        raise KinbayError(
            f"No exposure called {clean_text(attribute)!r} was compared",
            remedy=f"Did you mean {hint}?" if hint else f"Compared were: {', '.join(known)}.",
        )
    return Contrast.from_row(named.row(0, named=True))


def picture_exposure_shifts(warehouse: Warehouse, contrast: Contrast) -> tuple[Chart, Caption]:
    """Return the chart of all readings tested against one exposure, and its caption."""
    rows = choose_rows(exposures.list_exposure_effects(warehouse), contrast)
    caption = caption_of(
        fleet.describe_build(warehouse).row(0, named=True),
        title=f"{contrast.title}, all readings",
        finding=f"{say_count(rows.to_dicts())} {NOT_CAUSE}",
        filters="all vans at either level",
        n_vans=max((r["n_vans"] + r["n_vans_other"] + r["n_pairs"] for r in rows.to_dicts()), default=0),
        n_scans=max((r["n_scans"] or 0 for r in rows.to_dicts()), default=0),
        key=SHIFTS_KEY,
    )
    return draw_shifts(rows, contrast.title, None, PRINT), caption


def picture_exposure(
    warehouse: Warehouse, contrast: Contrast, reading: Reading, filters: Filters, most: int = MOST_COHORTS
) -> tuple[Chart, Caption]:
    """Return the chart of one reading at both levels of an exposure, at most `most` groups, and its caption.

    Raises
    ------
    KinbayError
        Where no shown van has the reading at either level.
    """
    names = fleet.list_shown_vans(warehouse, filters)["van"].to_list()
    levels = (contrast.level, contrast.other)
    vans = exposures.list_exposure_vans(
        warehouse, contrast.attribute, levels, reading.parameter, reading.state, names
    )
    if vans.is_empty():
        raise KinbayError(
            "No van that matches the filters has this reading at these levels",
            reading.title,
            "Widen the filters.",
        )
    own = choose_rows(exposures.list_exposure_effects(warehouse), contrast).filter(
        (pl.col("parameter") == reading.parameter) & (pl.col("state") == reading.state)
    )
    said = ""
    if own.height:
        row = own.row(0, named=True)
        said = f"{say_effect(row, contrast, reading)} {say_figures(row, contrast, reading)} {say_pairs(row, reading)} {NOT_CAUSE}"
    n_cohorts = vans["cohort_id"].n_unique()
    more = f" {most} groups of {n_cohorts} are drawn." if n_cohorts > most else ""
    caption = caption_of(
        fleet.describe_build(warehouse).row(0, named=True),
        title=f"{reading.title}. {contrast.title}",
        finding=said,
        filters=filters.describe(),
        n_vans=vans["van"].n_unique(),
        n_scans=int(vans["n_scans"].sum()),
        key=EXPOSURE_KEY + more,
    )
    return draw_exposure(vans, contrast, reading, PRINT, most), caption
