-- What each van that has or has not a code was exposed to while its scans were made; depot and model year among it.
-- A van counts with what it was exposed to over all scans that say whether it has the code; one that changed in
-- between is left out. Codes on fewer than three vans are left out.
-- grain: one row per stratum x attribute x module x code x van
-- key: stratum, attribute, module, code, van
-- kind: table
-- column stratum: the cohort, or the family where model years are compared
-- column cohort_id: the cohort
-- column level: the value of the attribute, in lower case
-- column level_name: the value as written
-- column standing: with or without
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
        judged.cohort_id,
        exposures.attribute,
        lower(trim(exposures.value)) as level,
        exposures.value as level_name,
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
        cohort_id,
        'depot' as attribute,
        lower(trim(depot)) as level,
        depot as level_name,
        module,
        code,
        van,
        standing
    from judged
    where depot is not null
    union all
    select
        family_id as stratum,
        cohort_id,
        'model_year' as attribute,
        cast(model_year as varchar) as level,
        cast(model_year as varchar) as level_name,
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
        min(cohort_id) as cohort_id,
        attribute,
        min(level) as level,
        min(level_name) as level_name,
        module,
        code,
        van,
        min(standing) as standing
    from exposed
    group by stratum, attribute, module, code, van
    having min(level) = max(level)
)

select * from single
