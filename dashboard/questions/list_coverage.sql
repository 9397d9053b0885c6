-- One row per shown van: how well it has been scanned, the longest unseen first.
with

shown as (
    select unnest(cast($vans as varchar[])) as van
),

covered as (
    select
        vans.van,
        vans.cohort,
        vans.depot,
        coalesce(coverage.n_scans, 0) as n_scans,
        coverage.last_scan_at,
        coverage.days_since_scan,
        vans.out_of_service is null and coalesce(coverage.days_since_scan > $stale_days, true) as is_stale,
        coalesce(coverage.n_readers, 0) as n_readers,
        coalesce(coverage.n_cells_scored, 0) as n_cells_scored,
        coalesce(coverage.n_cells_not_judged, 0) as n_cells_not_judged
    from vans
    inner join shown on vans.van = shown.van
    left join coverage on vans.van = coverage.van
    order by coverage.days_since_scan desc nulls first, vans.van
)

select * from covered
