"""Evidence on what is not the van: exposures, and what was taken off a van's readings before it was judged."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from typing import Any

from pipeline.build.codes import as_frame
from pipeline.compare.tiers import NEGLIGIBLE
from pipeline.findings import exposures, mixed
from pipeline.findings.records import Finding
from pipeline.settings import Settings
from pipeline.warehouse.engines import Engine

Row = dict[str, Any]
PARENTS = (
    "computed.exposure_effects", "computed.exposure_overlaps", "computed.sibling_scores", "computed.reader_effects", "van_levels", "int_window_means",
    "int_numbered_scans", "int_cells", "int_exposure_spans", "vocab.parameters",
)  # fmt: skip
# How far apart two scans of one van are, pooled over all vans of the measure.
_SCATTER = """
select l.parameter, l.state, sqrt(sum((l.m - 1) * l.s2) / nullif(sum(l.m - 1), 0)) as scan_sd
from van_levels as l
where l.window_name = 'level' and l.s2 is not null
group by l.parameter, l.state
"""
_EXPOSURES = """
select e.*, p.smallest_useful
from computed.exposure_effects as e
inner join vocab.parameters as p on e.parameter = p.parameter
where e.is_tested and e.q is not null
order by e.attribute, e.level, e.parameter, e.state
"""
_OVERLAPS = "select * from computed.exposure_overlaps order by attribute, level, rival, rival_level"


def grade(q: float, difference: float, smallest: float | None, settings: Settings) -> str:
    """Return the tier of a shift that many vans share.

    The smallest useful difference is a floor for one van; what a reader or a parking place adds to every van may be
    smaller and still matter, as long as it is not negligible.
    """
    if q > settings.tiers.likely_q:
        return "none"
    if smallest is not None and abs(difference) < NEGLIGIBLE * smallest:
        return "watch"
    return "finding" if q <= settings.tiers.finding_q else "likely"


def with_scatter(engine: Engine, rows: list[Row]) -> list[Row]:
    """Add to rows of some reading and state how far apart two scans of one van are (`scan_sd`)."""
    if not rows:
        return rows
    known = {(p, s): sd for p, s, sd in as_frame(engine.arrow(_SCATTER)).iter_rows()}
    return [{**r, "scan_sd": known.get((r["parameter"], r["state"]))} for r in rows]


def _read_shifts(engine: Engine, settings: Settings) -> list[Row]:
    rows = as_frame(engine.arrow(_EXPOSURES)).to_dicts()
    graded = [{**r, "tier": grade(r["q"], r["shift"], r["smallest_useful"], settings)} for r in rows]
    return with_scatter(engine, [r for r in graded if r["tier"] in ("finding", "likely", "watch")])


# Of the readings a van stands out in: others are not told, so nothing that was taken off them is either.
_READER_SHARES = """
select told.van, told.parameter, told.state, f.reader, e.effect, e.n_vans, w.m as n_scans,
    sum(w.m) over (partition by told.van, told.parameter, told.state) as all_scans, p.smallest_useful
from int_window_means as w
inner join int_numbered_scans as f on w.first_no = f.scan_no
inner join int_cells as c on w.cell_no = c.cell_no
inner join (
    select s.van, s.parameter, s.state from computed.sibling_scores as s where s.channel = 'level' and s.tier in ('finding', 'likely')
) as told on f.van = told.van and c.parameter = told.parameter and c.state = told.state
inner join computed.reader_effects as e on told.parameter = e.parameter and told.state = e.state and f.reader = e.reader
inner join vocab.parameters as p on told.parameter = p.parameter
where w.window_name = 'level' and w.is_linked
order by told.van, told.parameter, told.state, f.reader
"""
_EXPOSED = """
select distinct s.van, e.parameter, e.state, e.attribute, e.level_name, e.effect, e.n_vans, e.n_vans_other,
    e.twin_attribute, p.smallest_useful
from int_exposure_spans as s
inner join computed.exposure_effects as e on s.attribute = e.attribute and s.level = e.level
inner join vocab.parameters as p on e.parameter = p.parameter
where e.effect <> 0
order by s.van, e.parameter, e.state, e.attribute, e.level_name
"""


def read_taken_off(
    engine: Engine, findings: Iterable[Finding]
) -> dict[tuple[str, str, str], list[mixed.TakenOff]]:
    """What was taken off before a van that stands out was judged, by (van, parameter, state); nothing where none does."""
    found: dict[tuple[str, str, str], list[mixed.TakenOff]] = defaultdict(list)
    if not any(map(mixed.is_told, findings)):
        return found
    for row in as_frame(engine.arrow(_READER_SHARES)).to_dicts():
        amount = row["effect"] * row["n_scans"] / float(row["all_scans"])
        if _matters(amount, row["smallest_useful"]):
            found[row["van"], row["parameter"], row["state"]].append(
                mixed.TakenOff("reader", row["reader"], "", amount, row["n_vans"], None)
            )
    for row in as_frame(engine.arrow(_EXPOSED)).to_dicts():
        if _matters(row["effect"], row["smallest_useful"]):
            fewer = min(row["n_vans"], row["n_vans_other"])
            found[row["van"], row["parameter"], row["state"]].append(
                mixed.TakenOff(
                    "exposure",
                    row["attribute"],
                    row["level_name"],
                    row["effect"],
                    fewer,
                    row["twin_attribute"],
                )
            )
    return found


def _matters(amount: float, smallest: float | None) -> bool:
    return bool(amount) and (smallest is None or abs(amount) >= NEGLIGIBLE * smallest)


def collect(engine: Engine, settings: Settings) -> list[Finding]:
    """Return what exposures do to readings."""
    shifts = _read_shifts(engine, settings)
    if not shifts:
        return []
    overlaps: dict[tuple[str, str], list[Row]] = defaultdict(list)
    for row in as_frame(engine.arrow(_OVERLAPS)).to_dicts():
        overlaps[row["attribute"], row["level"]].append(row)
    return exposures.find(shifts, overlaps)
