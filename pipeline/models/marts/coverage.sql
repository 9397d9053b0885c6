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

van_months as (
    select * from int_parameters_read
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

parameters_read as (
    select distinct
        van,
        parameter
    from van_months
),

parameter_counts as (
    select
        van,
        count(*) as n_parameters
    from parameters_read
    group by van
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
