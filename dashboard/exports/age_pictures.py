"""The chart of a reading against age and the like for print, with its caption."""

from __future__ import annotations

from dashboard.charts.age_words import CONFOUNDED, associate, say_association
from dashboard.charts.ages import draw_ages
from dashboard.charts.frame import Chart
from dashboard.charts.palette import PRINT
from dashboard.charts.words import Reading, lower_first
from dashboard.exports.picture import Caption, caption_of
from dashboard.questions import fleet
from dashboard.questions.ages import Against, list_age_points
from dashboard.questions.filters import Filters
from dashboard.questions.warehouse import Warehouse
from pipeline.errors import KinbayError

AGES_KEY = (
    "Each dot is one van by the medians of its last year, or one scan. Dashed: median of the vans near each place,"
    " smoothed over three bins; shaded: their middle 80 %; n: vans in the bin. Line: the chosen van's scans in order."
)

_BY_DATE = (
    "Season, readers and updates move a reading as well as wear does: for one van's own course see its drift."
)


def picture_ages(
    warehouse: Warehouse,
    reading: Reading,
    against: Against,
    other: Reading | None,
    dots: str,
    van: str | None,
    filters: Filters,
) -> tuple[Chart, Caption]:
    """Return the chart for print and its caption.

    Raises
    ------
    KinbayError
        Where no shown van has both values.
    """
    names = fleet.list_shown_vans(warehouse, filters)["van"].to_list()
    asked = (warehouse, reading.parameter, reading.state, against)
    points = list_age_points(*asked, dots, names)
    if points.is_empty():
        raise KinbayError("No van that matches the filters has both", reading.title, "Widen the filters.")
    path = list_age_points(*asked, "scan", [van] if van else [])
    per_van = points if dots == "van" else list_age_points(*asked, "van", names)
    what = (
        lower_first(other.title)
        if other
        else {"age": "age", "odometer": "kilometres", "date": "date"}[against.kind]
    )
    said = say_association(associate(per_van), against.kind) if against.kind != "date" else _BY_DATE
    if against.kind == "age":
        said = f"{said} {CONFOUNDED}"
    caption = caption_of(
        fleet.describe_build(warehouse).row(0, named=True),
        title=f"{reading.title} against {what}",
        finding=said,
        filters=filters.describe(),
        n_vans=points["van"].n_unique(),
        n_scans=int(points["n_scans"].sum()),
        key=AGES_KEY,
    )
    return draw_ages(points, path, reading, against.kind, other, van, PRINT), caption
