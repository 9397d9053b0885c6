-- Scans whose codes may come from low supply voltage: the evidence added up, and what it was.
-- grain: one row per scan
-- key: scan_key
-- kind: table
-- column scan_id: the scan's own name, unique within a reader
-- column points: sum of the points of the rules that hold
-- column verdict: likely, possible or not_supported
-- column is_cluster: the codes belong together (several modules at once, or stored at one moment) and the verdict is at least possible: they are one matter
-- column is_over: each code of the cluster was looked for later and is gone
-- column n_codes: codes of the cluster
-- column n_modules: modules that complain of supply, lost communication or invalid data
-- column standing_days: days the van had stood before the scan
-- column rest_v: lowest battery voltage at rest (V)
-- column cranking_v: lowest voltage while cranking (V)
-- column cranking_floor_v: least that a sound battery keeps at that temperature (V)
-- column freeze_v: lowest supply voltage of the cluster's freeze frames (V)
-- column work_before: work of the days before that drains or replaces a battery
with facts as (
    select * from int_low_voltage_facts
),

evidence as (
    select * from low_voltage_evidence
),

scans as (
    select * from stg_scans
),

verdicts as (
    select * from vocab.low_voltage_verdicts
),

sums as (
    select
        scan_key,
        cast(sum(points) as bigint) as points,
        max(case when rule in ('many_modules', 'same_moment') then 1 else 0 end) = 1 as is_together
    from evidence
    group by scan_key
),

judged as (
    select
        sums.scan_key,
        sums.points,
        sums.is_together,
        arg_max(verdicts.verdict, verdicts.min_points) as verdict
    from sums
    inner join verdicts on sums.points >= verdicts.min_points
    group by sums.scan_key, sums.points, sums.is_together
),

joined as (
    select
        facts.scan_key,
        scans.scan_id,
        facts.van,
        scans.reader,
        facts.scanned_at,
        judged.points,
        judged.verdict,
        judged.verdict <> 'not_supported' and (judged.is_together or judged.verdict = 'likely') as is_cluster,
        facts.is_over,
        facts.n_codes,
        facts.n_modules,
        facts.standing_days,
        facts.rest_v,
        facts.cranking_v,
        facts.cranking_floor_v,
        facts.freeze_v,
        facts.work_before
    from facts
    inner join judged on facts.scan_key = judged.scan_key
    inner join scans on facts.scan_key = scans.scan_key
)

select * from joined
