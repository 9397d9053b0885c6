-- One row per code that stood on the same scans at least twice: how much more often than by chance.
with

sides as (
    select
        module,
        code,
        other_module,
        other_code,
        n_with,
        n_with_other,
        n_both,
        n_scans,
        lift,
        overlap,
        n_vans_both
    from code_pairs
    union all
    select
        other_module as module,
        other_code as code,
        module as other_module,
        code as other_code,
        n_with_other as n_with,
        n_with as n_with_other,
        n_both,
        n_scans,
        lift,
        overlap,
        n_vans_both
    from code_pairs
),

titles as (
    select
        module,
        code,
        max(title) as title
    from van_codes
    group by module, code
),

joined as (
    select
        sides.other_module,
        sides.other_code,
        titles.title as other_title,
        sides.n_both,
        sides.n_with,
        sides.n_with_other,
        sides.n_scans,
        sides.lift,
        sides.overlap,
        sides.n_vans_both
    from sides
    left join titles on sides.other_module = titles.module and sides.other_code = titles.code
    where sides.module = $module and sides.code = $code
    order by sides.overlap desc, sides.other_code
)

select * from joined
