-- The odometer at each scan and whether it agrees with the van's other scans.
-- Two scans disagree where the later reads less, or so much more that no van drives that far; of two that
-- disagree, the one at odds with more of the others is the odd one, and where that is even, both are doubted.
-- Work on the instrument cluster starts a new series.
-- grain: one row per scan with an odometer
-- key: scan_key
-- kind: table
-- column odometer_km: of the scan's own row, else of its readings (km)
-- column series_number: raised by each piece of work on the instrument cluster
-- column is_odd: at odds with more scans than the scan it disagrees with
-- column is_doubtful: as far at odds as the scan it disagrees with; the later of the two carries the conflict
-- column is_conflict: carries the conflict into the records
-- column goes_back: disagrees because the odometer goes back, not because it leaps ahead
-- column other_scan_key: the nearest scan it disagrees with, one where the odometer goes back before others
-- column other_km: the odometer there (km)
with settings as (
    select * from stg_settings
),

scans as (
    select * from stg_scans
),

read_odometers as (
    select
        scan_month,
        scan_key,
        max(value) as odometer_km
    from int_scan_values
    where parameter = 'odometer'
    group by scan_month, scan_key
),

cluster_work as (
    select
        part_work.van,
        part_work.work_number,
        part_work.at
    from int_part_work as part_work
    where part_work.parameter = 'odometer'
),

odometers as (
    select
        scans.van,
        scans.scan_key,
        scans.scanned_at,
        coalesce(scans.odometer_km, read_odometers.odometer_km) as odometer_km,
        coalesce(max(cluster_work.work_number), 0) as series_number
    from scans
    left join read_odometers
        on scans.scan_month = read_odometers.scan_month and scans.scan_key = read_odometers.scan_key
    left join cluster_work on scans.van = cluster_work.van and scans.scanned_at >= cluster_work.at
    where coalesce(scans.odometer_km, read_odometers.odometer_km) is not null
        and not scans.is_contradicted
    group by
        scans.van, scans.scan_key, scans.scanned_at,
        coalesce(scans.odometer_km, read_odometers.odometer_km)
),

placed as (
    select
        odometers.*,
        row_number() over series as place,
        lag(odometers.scanned_at) over series as before_at,
        lag(odometers.odometer_km) over series as before_km
    from odometers
    window series as (
        partition by odometers.van, odometers.series_number
        order by odometers.scanned_at, odometers.odometer_km, odometers.scan_key
    )
),

-- Only a series with a break between neighbours needs every pair looked at.
broken_series as (
    select distinct
        placed.van,
        placed.series_number
    from placed
    cross join settings
    where placed.odometer_km < placed.before_km - settings.odometer_slack_km
        or placed.odometer_km - placed.before_km > settings.odometer_slack_km + settings.max_km_per_day
        * (date_diff('day', cast(placed.before_at as date), cast(placed.scanned_at as date)) + 1)
),

suspects as (
    select placed.*
    from placed
    inner join broken_series
        on placed.van = broken_series.van and placed.series_number = broken_series.series_number
),

pairs as (
    select
        earlier.scan_key as earlier_key,
        later.scan_key as later_key,
        earlier.odometer_km as earlier_km,
        later.odometer_km as later_km,
        later.place - earlier.place as distance,
        later.odometer_km < earlier.odometer_km as goes_back
    from suspects as earlier
    inner join suspects as later
        on earlier.van = later.van
        and earlier.series_number = later.series_number
        and earlier.place < later.place
    cross join settings
    where later.odometer_km < earlier.odometer_km - settings.odometer_slack_km
        or later.odometer_km - earlier.odometer_km > settings.odometer_slack_km + settings.max_km_per_day
        * (date_diff('day', cast(earlier.scanned_at as date), cast(later.scanned_at as date)) + 1)
),

pair_ends as (
    select
        earlier_key as scan_key,
        later_key as other_scan_key,
        later_km as other_km,
        distance,
        goes_back,
        false as is_later
    from pairs
    union all
    select
        later_key as scan_key,
        earlier_key as other_scan_key,
        earlier_km as other_km,
        distance,
        goes_back,
        true as is_later
    from pairs
),

conflict_counts as (
    select
        scan_key,
        count(*) as n_conflicts
    from pair_ends
    group by scan_key
),

weighed as (
    select
        pair_ends.scan_key,
        pair_ends.other_scan_key,
        pair_ends.other_km,
        pair_ends.goes_back,
        pair_ends.distance * 2
        + case when pair_ends.is_later then 0 else 1 end
        + case when pair_ends.goes_back then 0 else 1000000 end as nearness,
        own.n_conflicts > others.n_conflicts as is_odd,
        own.n_conflicts = others.n_conflicts as is_even,
        own.n_conflicts = others.n_conflicts and pair_ends.is_later as is_even_and_later
    from pair_ends
    inner join conflict_counts as own on pair_ends.scan_key = own.scan_key
    inner join conflict_counts as others on pair_ends.other_scan_key = others.scan_key
),

verdicts as (
    select
        scan_key,
        max(case when is_odd then 1 else 0 end) = 1 as is_odd,
        max(case when is_even then 1 else 0 end) = 1 as is_doubtful,
        max(case when is_odd or is_even_and_later then 1 else 0 end) = 1 as is_conflict,
        max(case when goes_back and (is_odd or is_even) then 1 else 0 end) = 1 as goes_back,
        arg_min(other_scan_key, nearness) filter (where is_odd or is_even) as other_scan_key,
        arg_min(other_km, nearness) filter (where is_odd or is_even) as other_km
    from weighed
    group by scan_key
),

judged as (
    select
        placed.van,
        placed.scan_key,
        placed.scanned_at,
        placed.odometer_km,
        placed.series_number,
        placed.place,
        coalesce(verdicts.is_odd, false) as is_odd,
        coalesce(verdicts.is_doubtful, false) as is_doubtful,
        coalesce(verdicts.is_conflict, false) as is_conflict,
        coalesce(verdicts.goes_back, false) as goes_back,
        verdicts.other_scan_key,
        verdicts.other_km
    from placed
    left join verdicts on placed.scan_key = verdicts.scan_key
)

select * from judged
