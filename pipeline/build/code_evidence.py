"""Evidence on codes, read from the models: of vans, of cohorts, of what codes travel with and end with."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from typing import Any

from pipeline.build.codes import as_frame
from pipeline.compare.intervals import wilson
from pipeline.findings import code_exposures, codes, low_voltage
from pipeline.findings.records import Finding
from pipeline.settings import Codes, Settings
from pipeline.warehouse.engines import Engine

Row = dict[str, Any]
PARENTS = (
    "code_scans", "van_codes", "code_vans", "code_prevalence", "code_returns", "code_pairs", "code_endings", "code_exposures",
    "code_associations", "low_voltage_scans", "low_voltage_codes", "low_voltage_evidence", "vans", "cohorts",
    "int_fleet", "stg_settings",
)  # fmt: skip
_VAN_CODES = """
select v.*, r.has_returned, r.days_low, r.days_high, r.km_low, r.km_high, c.make, c.model, c.engine, c.model_year,
    coalesce(p.n_vans, 0) - coalesce(cast(own.standing <> 'unknown' as integer), 0) as n_siblings,
    coalesce(p.n_vans_with, 0) - coalesce(cast(own.standing = 'with' as integer), 0) as n_siblings_with
from van_codes as v
left join cohorts as c on v.cohort_id = c.cohort_id
left join code_prevalence as p on v.cohort_id = p.cohort_id and v.module = p.module and v.code = p.code
left join code_vans as own on v.van = own.van and v.module = own.module and v.code = own.code
left join code_returns as r on v.van = r.van and v.module = r.module and v.code = r.code
where v.n_present > 1
order by v.van, v.module, v.code
"""
_PREVALENCE = """
select p.*, c.cohort, c.make, c.model, c.engine, c.model_year
from code_prevalence as p
inner join cohorts as c on p.cohort_id = c.cohort_id
where p.n_vans_with > 1
order by p.cohort_id, p.module, p.code
"""
_WITH = (
    "select c.* from code_vans as c where c.standing = 'with' order by c.cohort_id, c.module, c.code, c.van"
)
# Codes that travel together do so on more than one van, and far more often than by chance.
_FELLOWS = """
select p.module, p.code, p.other_module, p.other_code, p.n_both, p.n_vans_both, p.overlap,
    p.n_with + p.n_with_other - p.n_both as n_either
from code_pairs as p
where p.n_vans_both > 1 and p.lift > 2 and p.overlap >= 0.3
order by p.overlap desc, p.module, p.code, p.other_module, p.other_code
"""
_ENDINGS = """
select e.module, e.code, e.what, e.part, count(distinct e.van) as n_vans
from code_endings as e
group by e.module, e.code, e.what, e.part
order by n_vans desc, e.what, e.part
"""
_ASSOCIATIONS = """
select a.*, t.title, t.structure
from code_associations as a
left join (
    select module, code, max(title) as title, min(structure) as structure from code_prevalence group by module, code
) as t on a.module = t.module and a.code = t.code
order by a.p, a.attribute, a.level, a.module, a.code
"""
_UNEXPOSED = """
select e.attribute, e.level, e.module, e.code, e.stratum, e.n_other_with, e.n_other_with + e.n_other_without as n_other
from code_exposures as e
where e.attribute <> 'model_year'
"""
_CLUSTERS = """
select s.*, v.cohort_id, v.make, v.model, v.engine, v.model_year
from low_voltage_scans as s
left join vans as v on s.van = v.van
order by s.scanned_at, s.scan_key
"""
_LATELY = "select f.data_to, w.level_days from int_fleet as f cross join stg_settings as w"
_CLUSTER_CODES = "select c.* from low_voltage_codes as c order by c.scan_key, c.module, c.code"
_EVIDENCE = "select e.* from low_voltage_evidence as e order by e.scan_key, e.rule"


def _rows(engine: Engine, query: str) -> list[Row]:
    return as_frame(engine.arrow(query)).to_dicts()


def _clusters(engine: Engine) -> list[Row]:
    """Scans of low voltage within the level window; where it ends is asked only if there are any."""
    rows = _rows(engine, _CLUSTERS)
    if not rows:
        return rows
    (lately,) = _rows(engine, _LATELY)
    end, days = lately["data_to"], lately["level_days"]
    return [r for r in rows if r["scanned_at"] <= end and (end.date() - r["scanned_at"].date()).days <= days]


def _fellows(engine: Engine) -> dict[codes.Code, list[Row]]:
    """Each pair from both sides."""
    found: dict[codes.Code, list[Row]] = defaultdict(list)
    for row in _rows(engine, _FELLOWS):
        found[row["module"], row["code"]].append(row)
        turned = row | {"other_module": row["module"], "other_code": row["code"]}
        found[row["other_module"], row["other_code"]].append(turned)
    return found


def _exposures(engine: Engine, associations: list[Row]) -> dict[codes.Code, list[Row]]:
    """Exposures with which a code is more frequent, with the share among each cohort's vans that are not exposed."""
    others: dict[tuple[str, str, str, str], dict[str, float]] = defaultdict(dict)
    for row in _rows(engine, _UNEXPOSED):
        low, _ = wilson(row["n_other_with"], row["n_other"])
        others[row["attribute"], row["level"], row["module"], row["code"]][row["stratum"]] = float(low)
    found: dict[codes.Code, list[Row]] = defaultdict(list)
    for row in associations:
        is_more = row["odds_ratio"] is None or row["odds_ratio"] > 1
        if row["tier"] in codes.SAYS_SO and is_more and row["attribute"] != "model_year":
            shares = others[row["attribute"], row["level"], row["module"], row["code"]]
            found[row["module"], row["code"]].append(row | {"others_share_low": shares})
    return found


def _endings(engine: Engine) -> dict[codes.Code, list[Row]]:
    found: dict[codes.Code, list[Row]] = defaultdict(list)
    for row in _rows(engine, _ENDINGS):
        found[row["module"], row["code"]].append(row)
    return found


def _fleetwide(rows: list[Row], company: codes.Company, rules: Codes) -> dict[tuple[str, str, str], Row]:
    """The codes that are a cohort's matter."""
    return {
        (r["cohort_id"], r["module"], r["code"]): r
        for r in rows
        if codes.grade_cohort(r, company, rules) in codes.SAYS_SO
    }


def collect(engine: Engine, settings: Settings) -> list[Finding]:
    """Return the findings about codes: clusters of low voltage, cohorts, exposures, single vans."""
    clusters, found = _clusters(engine), list[Finding]()
    if clusters:
        found += low_voltage.find(clusters, _rows(engine, _CLUSTER_CODES), _rows(engine, _EVIDENCE))
    if not engine.values("select 1 from code_scans limit 1"):
        return found
    associations, prevalence = _rows(engine, _ASSOCIATIONS), _rows(engine, _PREVALENCE)
    van_codes = _rows(engine, _VAN_CODES)
    if not (prevalence or van_codes):
        return [*found, *code_exposures.find(associations)]
    company = codes.Company(_fellows(engine), _endings(engine), _exposures(engine, associations))
    company = replace(company, fleetwide=_fleetwide(prevalence, company, settings.codes))
    return [
        *found,
        *codes.find_fleetwide(prevalence, company, _rows(engine, _WITH), settings.codes),
        *code_exposures.find(associations),
        *codes.find_persistent(van_codes, company, settings.codes),
    ]
