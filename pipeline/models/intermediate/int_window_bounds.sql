-- Which scans stand in which window of a van: level, recent and earlier.
-- level: the last level_days; recent: the newest recent_scans scans within recent_days; earlier: those before,
-- back to earlier_days. Each window starts after the newest work on that part that at least
-- min_scans_after_work of the window's scans follow, so work between earlier and recent parts the two.
-- Numbers of scans rise with time, so a window is a stretch of them; in recent and earlier only linked scans count.
-- grain: one row per van x parameter x state x window; none of recent where no scan is, none of earlier without recent
-- key: van_no, cell_no, window_name
-- kind: table
-- column van_no: number of the van
-- column cell_no: number of parameter and state
-- column window_name: level, recent or earlier
-- column from_no: lowest number that a scan of it has
-- column to_no: highest number that a scan of it has
-- column reaches_days: how far back the window reaches from the end of the data (days)
with reader_links as (
    select * from int_reader_links
),

scans as (
    select * from int_numbered_scans
),

settings as (
    select * from stg_settings
),

series as (
    select distinct
        van_no,
        cell_no
    from reader_links
),

reaches as (
    select
        min(case when scans.age_days <= settings.level_days then scans.scan_no end) as level_no,
        min(case when scans.age_days <= settings.recent_days then scans.scan_no end) as recent_no,
        min(case when scans.age_days <= settings.earlier_days then scans.scan_no end) as earlier_no,
        max(scans.scan_no) as newest_no
    from scans
    cross join settings
),

epoch_starts as (
    select
        van_no,
        cell_no,
        epoch,
        min(scan_no) as from_no
    from int_compared_scans
    where epoch > 0
    group by van_no, cell_no, epoch
),

worked_on as (
    select distinct
        van_no,
        cell_no
    from epoch_starts
),

-- Without work on the part, only scans that may be recent have to be counted.
counted as (
    select
        compared.van_no,
        compared.cell_no,
        compared.scan_no,
        compared.epoch,
        row_number() over (
            partition by compared.van_no, compared.cell_no order by compared.scan_no desc
        ) as newest_rank
    from int_compared_scans as compared
    cross join reaches
    left join worked_on on compared.van_no = worked_on.van_no and compared.cell_no = worked_on.cell_no
    where compared.is_linked and (compared.scan_no >= reaches.recent_no or worked_on.van_no is not null)
),

restarts as (
    select
        counted.van_no,
        counted.cell_no,
        max(case when counted.scan_no >= reaches.level_no then counted.epoch end) as level_epoch,
        max(case when counted.scan_no >= reaches.recent_no then counted.epoch end) as recent_epoch
    from counted
    cross join reaches
    cross join settings
    where counted.newest_rank = settings.min_scans_after_work
    group by counted.van_no, counted.cell_no
),

recents as (
    select
        counted.van_no,
        counted.cell_no,
        min(counted.scan_no) as from_no,
        count(*) as n_recent
    from counted
    cross join reaches
    cross join settings
    left join restarts on counted.van_no = restarts.van_no and counted.cell_no = restarts.cell_no
    where counted.scan_no >= reaches.recent_no
        and counted.newest_rank <= settings.recent_scans
        and counted.epoch >= coalesce(restarts.recent_epoch, 0)
    group by counted.van_no, counted.cell_no
),

earlier_restarts as (
    select
        counted.van_no,
        counted.cell_no,
        max(counted.epoch) as earlier_epoch
    from counted
    inner join recents on counted.van_no = recents.van_no and counted.cell_no = recents.cell_no
    cross join reaches
    cross join settings
    where counted.scan_no >= reaches.earlier_no
        and counted.newest_rank = recents.n_recent + settings.min_scans_after_work
    group by counted.van_no, counted.cell_no
),

together as (
    select
        series.van_no,
        series.cell_no,
        'level' as window_name,
        greatest(reaches.level_no, coalesce(epoch_starts.from_no, 0)) as from_no,
        reaches.newest_no as to_no,
        settings.level_days as reaches_days
    from series
    cross join reaches
    cross join settings
    left join restarts on series.van_no = restarts.van_no and series.cell_no = restarts.cell_no
    left join epoch_starts
        on restarts.van_no = epoch_starts.van_no
        and restarts.cell_no = epoch_starts.cell_no
        and restarts.level_epoch = epoch_starts.epoch
    where reaches.level_no is not null
    union all
    select
        recents.van_no,
        recents.cell_no,
        'recent' as window_name,
        recents.from_no,
        reaches.newest_no as to_no,
        settings.recent_days as reaches_days
    from recents
    cross join reaches
    cross join settings
    union all
    select
        recents.van_no,
        recents.cell_no,
        'earlier' as window_name,
        greatest(reaches.earlier_no, coalesce(epoch_starts.from_no, 0)) as from_no,
        recents.from_no - 1 as to_no,
        settings.earlier_days as reaches_days
    from recents
    cross join reaches
    cross join settings
    left join earlier_restarts
        on recents.van_no = earlier_restarts.van_no and recents.cell_no = earlier_restarts.cell_no
    left join epoch_starts
        on earlier_restarts.van_no = epoch_starts.van_no
        and earlier_restarts.cell_no = epoch_starts.cell_no
        and earlier_restarts.earlier_epoch = epoch_starts.epoch
    where reaches.earlier_no is not null
)

select * from together
