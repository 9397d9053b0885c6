-- Fourfold tables: vans with and without a code, exposed and not, cohort by cohort; and model year by model year.
-- Model years are held against the other years of the same model and engine.
-- grain: one row per stratum x attribute x level x module x code, both sides present
-- key: stratum, attribute, level, module, code
-- kind: table
-- column stratum: the cohort, or the family where model years are compared
-- column attribute: what is told of vans, such as parking; depot and model_year among them
-- column level: the value that makes a van exposed, in lower case
-- column level_name: the value as written
-- column n_levels: values of the attribute in the fleet
-- column n_exposed_with: exposed vans that have the code
-- column n_exposed_without: exposed vans that do not
-- column n_other_with: other vans that have it
-- column n_other_without: other vans that do not
with single as (
    select * from int_code_exposures
),

sides as (
    select
        stratum,
        attribute,
        level,
        min(level_name) as level_name,
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
        sides.level_name,
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
