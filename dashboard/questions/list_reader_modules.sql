-- One row per shown van and control unit with one reader: answered, silent, not asked or not said.
with

asked as (
    select
        van,
        module,
        n_scans,
        n_answered,
        n_silent,
        n_not_asked,
        n_unknown,
        last_answered_at
    from module_coverage
    where reader = $reader and van in (select unnest(cast($vans as varchar[])))
    order by van, module
)

select * from asked
