-- One row per name in scans that is no van of the register, the most used first.
with

strangers as (
    select
        van,
        n_scans,
        first_scan_at,
        last_scan_at
    from vans
    where cohort_id is null and n_scans > 0
    order by n_scans desc, van
)

select * from strangers
