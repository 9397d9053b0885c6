-- How well each van is covered by scans, and how much of it could be compared.
-- grain: one row per van
-- key: van
-- kind: table
-- column n_scans: scans of the van
-- column last_scan_at: time of the newest scan (UTC)
-- column days_since_scan: days from the newest scan to the end of the data
-- column n_readers: readers used on the van
-- column n_parameters: parameters read on the van
-- column n_cells_scored: levels and changes that were compared with siblings
-- column n_cells_not_judged: levels and changes that could not be compared
with fleet_vans as (
    select * from vans
),

scans as (
    select * from stg_scans
),

numbered_vans as (
    select * from int_numbered_vans
),

scan_values as (
    select * from int_scan_values
),

scores as (
    select * from computed.sibling_scores
),

fleet as (
    select * from int_fleet
),

reader_counts as (
    select
        van,
        count(distinct reader) as n_readers
    from scans
    group by van
),

numbered_scans as (
    select
        scans.scan_key,
        numbered_vans.van_no
    from scans
    inner join numbered_vans on scans.van = numbered_vans.van
),

-- All that was ever read is gone through, so a van is a number until its readings are counted.
parameters_read as (
    select distinct
        numbered_scans.van_no,
        scan_values.parameter
    from scan_values
    inner join numbered_scans on scan_values.scan_key = numbered_scans.scan_key
),

parameter_counts as (
    select
        numbered_vans.van,
        count(*) as n_parameters
    from parameters_read
    inner join numbered_vans on parameters_read.van_no = numbered_vans.van_no
    group by numbered_vans.van
),

score_counts as (
    select
        van,
        count(case when verdict <> 'not_judged' then 1 end) as n_cells_scored,
        count(case when verdict = 'not_judged' then 1 end) as n_cells_not_judged
    from scores
    group by van
),

joined as (
    select
        fleet_vans.van,
        fleet_vans.n_scans,
        fleet_vans.last_scan_at,
        date_diff('day', cast(fleet_vans.last_scan_at as date), cast(fleet.data_to as date)) as days_since_scan,
        coalesce(reader_counts.n_readers, 0) as n_readers,
        coalesce(parameter_counts.n_parameters, 0) as n_parameters,
        coalesce(score_counts.n_cells_scored, 0) as n_cells_scored,
        coalesce(score_counts.n_cells_not_judged, 0) as n_cells_not_judged
    from fleet_vans
    left join reader_counts on fleet_vans.van = reader_counts.van
    left join parameter_counts on fleet_vans.van = parameter_counts.van
    left join score_counts on fleet_vans.van = score_counts.van
    cross join fleet
)

select * from joined
