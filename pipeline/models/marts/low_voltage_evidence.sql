-- Which rules of evidence for low supply voltage hold for a scan, and how many points each counts.
-- grain: one row per scan x rule
-- key: scan_key, rule
-- kind: view
-- column rule: key of the rule
-- column points: what it counts for or against low supply voltage
-- column says: the rule in words
with facts as (
    select * from int_low_voltage_facts
),

rules as (
    select * from vocab.low_voltage_rules
),

limits as (
    select
        max(case when key = 'modules' then value end) as modules,
        max(case when key = 'standing_days' then value end) as standing_days,
        max(case when key = 'rest_v' then value end) as rest_v,
        max(case when key = 'freeze_v' then value end) as freeze_v,
        max(case when key = 'first_seen_km' then value end) as first_seen_km
    from vocab.low_voltage_limits
),

judged as (
    select
        facts.*,
        facts.n_modules >= limits.modules as has_many_modules,
        coalesce(facts.standing_days >= limits.standing_days, false) or facts.work_before is not null
            as stood_or_drained,
        coalesce(facts.rest_v < limits.rest_v, false)
        or coalesce(facts.cranking_v < facts.cranking_floor_v, false) as has_weak_voltage,
        coalesce(facts.freeze_v < limits.freeze_v, false) as has_low_freeze_frame,
        facts.n_first_seen >= 2
        and coalesce(facts.first_seen_km_to - facts.first_seen_km_from <= limits.first_seen_km, false)
            as is_same_moment
    from facts
    cross join limits
),

held as (
    select scan_key, van, scanned_at, 'supply_code' as rule from judged where has_supply_code
    union all
    select scan_key, van, scanned_at, 'many_modules' as rule from judged where has_many_modules
    union all
    select scan_key, van, scanned_at, 'side_effect' as rule from judged where has_side_code
    union all
    select scan_key, van, scanned_at, 'stood_or_drained' as rule from judged where stood_or_drained
    union all
    select scan_key, van, scanned_at, 'weak_voltage' as rule from judged where has_weak_voltage
    union all
    select scan_key, van, scanned_at, 'low_freeze_frame' as rule from judged where has_low_freeze_frame
    union all
    select scan_key, van, scanned_at, 'same_moment' as rule from judged where is_same_moment
    union all
    select scan_key, van, scanned_at, 'stayed_away' as rule from judged where stayed_away
    union all
    select scan_key, van, scanned_at, 'back_with_good_supply' as rule from judged where came_back_well
    union all
    select scan_key, van, scanned_at, 'stored_running_well' as rule from judged where ran_well
),

weighed as (
    select
        held.scan_key,
        held.van,
        held.scanned_at,
        held.rule,
        rules.points,
        rules.says
    from held
    inner join rules on held.rule = rules.rule
)

select * from weighed
