-- One row per code tested against an exposure, strongest first; of two levels the one with more of the code.
with

tested as (
    select
        code_associations.module,
        code_associations.code,
        coalesce(titles.title, '') as title,
        coalesce(titles.structure, 'other') as structure,
        code_associations.level_name,
        code_associations.n_exposed_with,
        code_associations.n_exposed_with + code_associations.n_exposed_without as n_exposed,
        code_associations.n_other_with,
        code_associations.n_other_with + code_associations.n_other_without as n_other,
        code_associations.odds_ratio,
        code_associations.odds_low,
        code_associations.odds_high,
        code_associations.p,
        code_associations.q,
        code_associations.n_strata,
        code_associations.rival_attribute,
        code_associations.rival_level,
        code_associations.tier
    from code_associations
    left join (
        select
            module,
            code,
            any_value(title) as title,
            any_value(structure) as structure
        from van_codes
        group by module, code
    ) as titles
        on code_associations.module = titles.module and code_associations.code = titles.code
    where code_associations.attribute = $attribute and code_associations.is_tested
    order by code_associations.p, code_associations.code, code_associations.level_name
)

select * from tested
