-- One row per shown van: the mean of its scans of this reading by the chosen readers between the chosen days.
with

shown as (
    select unnest(cast($vans as varchar[])) as van
),

chosen as (
    select
        scan_levels.van,
        vans.cohort_id,
        vans.cohort,
        vans.depot,
        avg(scan_levels.value) as value,
        var_samp(scan_levels.value) as s2,
        count(*) as n_scans,
        min(scan_levels.scanned_at) as first_seen,
        max(scan_levels.scanned_at) as last_seen
    from scan_levels
    inner join shown on scan_levels.van = shown.van
    inner join vans on scan_levels.van = vans.van
    where scan_levels.parameter = $parameter
        and scan_levels.state = $state
        and scan_levels.value is not null
        and vans.cohort_id is not null
        and (len($readers) = 0 or list_contains($readers, scan_levels.reader))
        and (cast($date_from as date) is null or scan_levels.scanned_at::date >= cast($date_from as date))
        and (cast($date_to as date) is null or scan_levels.scanned_at::date <= cast($date_to as date))
    group by scan_levels.van, vans.cohort_id, vans.cohort, vans.depot
    order by vans.cohort, scan_levels.van
)

select * from chosen
