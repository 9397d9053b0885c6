"""Evidence on what is not the van: exposures, readers, and readers that never met."""

from __future__ import annotations

from collections import defaultdict
from typing import Any

from pipeline.build.codes import as_frame
from pipeline.findings import exposures, readers
from pipeline.findings.records import Finding
from pipeline.settings import Settings
from pipeline.warehouse.engines import Engine

Row = dict[str, Any]
PARENTS = (
    "exposure_effects", "exposure_overlaps", "computed.reader_effects", "int_compared_scans", "adjusted_levels",
)  # fmt: skip
_EXPOSURES = """
select e.*, p.smallest_useful
from exposure_effects as e
inner join vocab.parameters as p on e.parameter = p.parameter
where e.is_tested and e.q is not null
order by e.attribute, e.level, e.parameter, e.state
"""
_OVERLAPS = "select * from exposure_overlaps order by attribute, level, rival, rival_level"
_BIASES = """
select r.*, p.unit, p.smallest_useful, s.n_scans, s.first_seen, s.last_seen
from computed.reader_effects as r
inner join vocab.parameters as p on r.parameter = p.parameter
inner join (
    select a.parameter, a.state, a.reader, count(*) as n_scans,
        min(a.scanned_at) as first_seen, max(a.scanned_at) as last_seen
    from adjusted_levels as a
    group by a.parameter, a.state, a.reader
) as s on r.parameter = s.parameter and r.state = s.state and r.reader = s.reader
where r.q is not null
order by r.parameter, r.state, r.reader
"""
_CONFOUNDED = """
select c.reader, c.parameter, c.state, p.unit, count(distinct c.van) as n_vans_only, min(c.van) as only_van,
    count(*) as n_scans, min(c.scanned_at) as first_seen, max(c.scanned_at) as last_seen,
    max(o.reader) as other_reader
from int_compared_scans as c
inner join vocab.parameters as p on c.parameter = p.parameter
inner join (
    select u.van, u.parameter, u.state
    from int_compared_scans as u
    where u.cohort_id is not null
    group by u.van, u.parameter, u.state
    having not bool_or(u.is_linked)
) as v on c.van = v.van and c.parameter = v.parameter and c.state = v.state
left join (
    select l.cohort_id, l.parameter, l.state, min(l.reader) as reader
    from int_compared_scans as l
    where l.is_linked
    group by l.cohort_id, l.parameter, l.state
) as o on c.cohort_id = o.cohort_id and c.parameter = o.parameter and c.state = o.state
group by c.reader, c.parameter, c.state, p.unit
order by c.reader, c.parameter, c.state
"""


def _grade(q: float, difference: float, smallest: float | None, settings: Settings) -> str:
    """Tier by q; below the smallest useful difference one grade lower."""
    grade = 0 if q <= settings.tiers.finding_q else 1 if q <= settings.tiers.likely_q else 3
    grade += int(smallest is not None and abs(difference) < smallest)
    return ("finding", "likely", "watch", "none", "none")[grade]


def collect(engine: Engine, settings: Settings) -> list[Finding]:
    """Return what exposures and readers do to readings, and readers that cannot be compared."""
    told = ("finding", "likely")
    shifts = [
        {**r, "tier": _grade(r["q"], r["shift"], r["smallest_useful"], settings)}
        for r in as_frame(engine.arrow(_EXPOSURES)).to_dicts()
    ]
    overlaps: dict[tuple[str, str], list[Row]] = defaultdict(list)
    for row in as_frame(engine.arrow(_OVERLAPS)).to_dicts():
        overlaps[row["attribute"], row["level"]].append(row)
    biases = [
        {**r, "tier": _grade(r["q"], r["estimate"], r["smallest_useful"], settings)}
        for r in as_frame(engine.arrow(_BIASES)).to_dicts()
    ]
    confounded = as_frame(engine.arrow(_CONFOUNDED)).to_dicts()
    return [
        *exposures.find([r for r in shifts if r["tier"] in told], overlaps),
        *readers.find([r for r in biases if r["tier"] in told], confounded),
    ]
