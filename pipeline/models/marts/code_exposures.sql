-- Fourfold tables: vans with and without a code, exposed and not, cohort by cohort; and model year by model year.
-- A van counts with what it was exposed to over all scans that say whether it has the code; one that changed in
-- between is left out. Model years are held against the other years of the same model and engine.
-- grain: one row per stratum x attribute x level x module x code, both sides present
-- key: stratum, attribute, level, module, code
-- kind: table
-- column stratum: the cohort, or the family where model years are compared
-- column attribute: what is told of vans, such as parking; depot and model_year among them
-- column level: the value that makes a van exposed
-- column n_levels: values of the attribute in the fleet
-- column n_exposed_with: exposed vans that have the code
-- column n_exposed_without: exposed vans that do not
-- column n_other_with: other vans that have it
-- column n_other_without: other vans that do not
with vans_judged as (
    select * from code_vans
),

vans as (
    select * from stg_vans
),

exposures as (
    select * from van_exposures
),

known as (
    select
        vans_judged.van,
        vans_judged.cohort_id,
        vans.family_id,
        vans.depot,
        vans.model_year,
        vans_judged.module,
        vans_judged.code,
        vans_judged.standing,
        vans_judged.first_at,
        vans_judged.last_at
    from vans_judged
    inner join vans on vans_judged.van = vans.van
    where vans_judged.standing <> 'unknown'
),

-- Codes on fewer than three vans can tell nothing.
common_codes as (
    select
        module,
        code
    from known
    where standing = 'with'
    group by module, code
    having count(*) >= 3
),

judged as (
    select known.*
    from known
    inner join common_codes on known.module = common_codes.module and known.code = common_codes.code
),

exposed as (
    select
        judged.cohort_id as stratum,
        exposures.attribute,
        exposures.value as level,
        judged.module,
        judged.code,
        judged.van,
        judged.standing
    from judged
    inner join exposures
        on judged.van = exposures.van
        and coalesce(exposures.from_date <= cast(judged.first_at as date), true)
        and coalesce(exposures.to_date > cast(judged.last_at as date), true)
    union all
    select
        cohort_id as stratum,
        'depot' as attribute,
        depot as level,
        module,
        code,
        van,
        standing
    from judged
    where depot is not null
    union all
    select
        family_id as stratum,
        'model_year' as attribute,
        cast(model_year as varchar) as level,
        module,
        code,
        van,
        standing
    from judged
    where model_year is not null and family_id is not null
),

-- A van with two values of one attribute at once belongs to neither.
single as (
    select
        stratum,
        attribute,
        min(level) as level,
        module,
        code,
        van,
        min(standing) as standing
    from exposed
    group by stratum, attribute, module, code, van
    having min(level) = max(level)
),

sides as (
    select
        stratum,
        attribute,
        level,
        module,
        code,
        count(case when standing = 'with' then 1 end) as n_with,
        count(case when standing = 'without' then 1 end) as n_without
    from single
    group by stratum, attribute, level, module, code
),

totals as (
    select
        stratum,
        attribute,
        module,
        code,
        cast(sum(n_with) as bigint) as n_with,
        cast(sum(n_without) as bigint) as n_without
    from sides
    group by stratum, attribute, module, code
),

level_counts as (
    select
        attribute,
        count(distinct level) as n_levels
    from single
    group by attribute
),

tables_made as (
    select
        sides.stratum,
        sides.attribute,
        sides.level,
        level_counts.n_levels,
        sides.module,
        sides.code,
        sides.n_with as n_exposed_with,
        sides.n_without as n_exposed_without,
        totals.n_with - sides.n_with as n_other_with,
        totals.n_without - sides.n_without as n_other_without
    from sides
    inner join totals
        on sides.stratum = totals.stratum
        and sides.attribute = totals.attribute
        and sides.module = totals.module
        and sides.code = totals.code
    inner join level_counts on sides.attribute = level_counts.attribute
    where totals.n_with + totals.n_without > sides.n_with + sides.n_without
)

select * from tables_made
