-- One row per exposure or model year the code was tested against, strongest first; of two levels the one with more.
with

tested as (
    select
        attribute,
        level_name,
        n_exposed_with,
        n_exposed_with + n_exposed_without as n_exposed,
        n_other_with,
        n_other_with + n_other_without as n_other,
        odds_ratio,
        odds_low,
        odds_high,
        p,
        q,
        method,
        n_vans,
        n_strata,
        rival_attribute,
        rival_level,
        p_beside_rival,
        tier
    from code_associations
    where module = $module and code = $code and is_tested
    order by p, attribute, level_name
)

select * from tested
