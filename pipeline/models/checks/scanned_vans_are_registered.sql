-- A van has scans but no row in the register, so it has no siblings to be compared with.
-- severity: warn
-- remedy: Add it to the register, or correct the van's name in the scan.
with fleet_vans as (
    select * from vans
),

unregistered as (
    select
        van,
        n_scans
    from fleet_vans
    where cohort_id is null
)

select * from unregistered
