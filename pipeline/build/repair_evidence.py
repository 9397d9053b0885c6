"""Evidence on work: what became of it in readings and codes, read from the marts for the findings."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.build.codes import as_frame
from pipeline.findings import repairs
from pipeline.findings.records import Finding
from pipeline.settings import Settings
from pipeline.warehouse.engines import Engine

PARENTS = ("repairs", "work_codes", "work", "stg_work", "van_codes", "vans", "int_fleet")
_REPAIRS = """
select r.*, v.make, v.model, v.engine, v.model_year
from repairs as r
left join vans as v on r.van = v.van
order by r.van, r.worked_at, r.what, r.part, r.parameter, r.state
"""
# The newest work a van had for the code; older work is its history.
_RETURNS = """
select c.*, v.cohort_id, v.make, v.model, v.engine, v.model_year, s.title, s.structure, s.last_seen, w.relearn
from work_codes as c
inner join van_codes as s on c.van = s.van and c.module = s.module and c.code = s.code
left join vans as v on c.van = v.van
left join (
    select w.van, w.at as worked_at, w.what, w.code, max(w.relearn) as relearn
    from work as w where w.code is not null group by w.van, w.at, w.what, w.code
) as w on c.van = w.van and c.worked_at = w.worked_at and c.what = w.what and c.work_code = w.code
where c.work_code <> ''
qualify row_number() over (partition by c.van, c.module, c.code order by c.worked_at desc, c.what, c.part) = 1
order by c.van, c.module, c.code
"""


def collect(engine: Engine, settings: Settings, found: Sequence[Finding]) -> list[Finding]:
    """Return the findings with those on work among them."""
    if not engine.values("select 1 from stg_work where van is not null limit 1"):
        return list(found)
    rows = as_frame(engine.arrow(_REPAIRS)).to_dicts()
    data_to = engine.values("select data_to from int_fleet") if rows else []
    made: list[Finding] = []
    if data_to and data_to[0] is not None:
        made += repairs.find(
            rows,
            data_to[0],
            told_days=settings.repairs.told_days,
            finding_q=settings.tiers.finding_q,
            likely_q=settings.tiers.likely_q,
        )
    returns = [r for r in as_frame(engine.arrow(_RETURNS)).to_dicts() if r["outcome"] == "returned"]
    made += repairs.find_codes(returns, settings.codes.persistent_scans, settings.codes.persistent_share)
    return repairs.absorb(found, made)
