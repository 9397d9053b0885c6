-- Which scans before and after a piece of work speak for the van in each reading the work touches.
-- Scans on the day itself are left out: which came first is not known. Before: the newest scans, not reaching over
-- earlier work on the part where enough scans follow that. After: up to the next work on the part.
-- grain: one row per piece of work x parameter x state
-- key: van, parameter, state, worked_at, what, part
-- kind: table
-- column worked_at: time of the work (UTC)
-- column what: what was done
-- column part: the part it was done on
-- column work_day: day of the work
-- column n_before: scans before the work that count
-- column n_after: scans after the work that count
-- column before_from: first day of the dates before the work on which siblings count
-- column before_to: first day after those dates
-- column after_from: first day of the dates after the work on which siblings count
-- column after_to: first day after those dates
-- column own_from: first day of the van's own scans before the work
-- column own_to: last day of the van's own scans after the work
-- column late_from: day from which the newest scans after the work count as late; null with too few
-- column next_work: day of the next work on the part, which ends the scans after; null without
-- column n_over_work: scans before that lie before earlier work on the same part
-- column n_same_day: other pieces of work on the part the same day
with compared as (
    select * from int_compared_scans
),

numbered_scans as (
    select * from int_numbered_scans
),

cells as (
    select * from int_cells
),

part_work as (
    select * from int_part_work
),

settings as (
    select * from stg_repair_settings
),

days as (
    select distinct
        van,
        parameter,
        cast(part_work.at as date) as work_day
    from part_work
),

work_days as (
    select
        days.van,
        days.parameter,
        days.work_day,
        lead(days.work_day) over (partition by days.van, days.parameter order by days.work_day) as next_work
    from days
),

worked_cells as (
    select
        cells.cell_no,
        cells.parameter,
        cells.state
    from cells
    inner join (select distinct parameter from part_work) as worked on cells.parameter = worked.parameter
),

scans as (
    select
        numbered_scans.van,
        worked_cells.parameter,
        worked_cells.state,
        compared.scan_no,
        cast(numbered_scans.scanned_at as date) as scan_day,
        compared.epoch
    from compared
    inner join worked_cells on compared.cell_no = worked_cells.cell_no
    inner join numbered_scans on compared.scan_no = numbered_scans.scan_no
    where compared.is_linked
),

befores as (
    select
        work_days.van,
        work_days.parameter,
        scans.state,
        work_days.work_day,
        scans.scan_day,
        scans.epoch,
        row_number() over (
            partition by work_days.van, work_days.parameter, scans.state, work_days.work_day
            order by scans.scan_no desc
        ) as newest_rank
    from work_days
    inner join scans on work_days.van = scans.van and work_days.parameter = scans.parameter
    cross join settings
    where scans.scan_day < work_days.work_day
        and date_diff('day', cast(scans.scan_day as date), cast(work_days.work_day as date)) <= settings.before_days
),

restarts as (
    select
        befores.van,
        befores.parameter,
        befores.state,
        befores.work_day,
        max(case when befores.newest_rank = settings.min_scans_each_side then befores.epoch end) as restart_epoch,
        max(befores.epoch) as newest_epoch
    from befores
    cross join settings
    group by befores.van, befores.parameter, befores.state, befores.work_day
),

before_sums as (
    select
        befores.van,
        befores.parameter,
        befores.state,
        befores.work_day,
        count(*) as n_before,
        count(case when befores.epoch < restarts.newest_epoch then 1 end) as n_over_work,
        min(befores.scan_day) as first_day,
        max(befores.scan_day) as last_day
    from befores
    inner join restarts
        on befores.van = restarts.van
        and befores.parameter = restarts.parameter
        and befores.state = restarts.state
        and befores.work_day = restarts.work_day
    cross join settings
    where befores.newest_rank <= settings.before_scans
        and befores.epoch >= coalesce(restarts.restart_epoch, 0)
    group by befores.van, befores.parameter, befores.state, befores.work_day
),

afters as (
    select
        work_days.van,
        work_days.parameter,
        scans.state,
        work_days.work_day,
        scans.scan_day,
        row_number() over (
            partition by work_days.van, work_days.parameter, scans.state, work_days.work_day
            order by scans.scan_no desc
        ) as newest_rank,
        count(*) over (
            partition by work_days.van, work_days.parameter, scans.state, work_days.work_day
        ) as n_after
    from work_days
    inner join scans on work_days.van = scans.van and work_days.parameter = scans.parameter
    cross join settings
    where scans.scan_day > work_days.work_day
        and (work_days.next_work is null or scans.scan_day < work_days.next_work)
        and date_diff('day', cast(work_days.work_day as date), cast(scans.scan_day as date)) <= settings.after_days
),

after_sums as (
    select
        afters.van,
        afters.parameter,
        afters.state,
        afters.work_day,
        max(afters.n_after) as n_after,
        min(afters.scan_day) as first_day,
        max(afters.scan_day) as last_day,
        min(
            case
                when afters.n_after >= 2 * settings.min_scans_each_side
                    and afters.newest_rank <= least(settings.late_scans, afters.n_after / 2.0)
                    then afters.scan_day
            end
        ) as late_from
    from afters
    cross join settings
    group by afters.van, afters.parameter, afters.state, afters.work_day
),

sides as (
    select van, parameter, state, work_day
    from before_sums
    union
    select van, parameter, state, work_day
    from after_sums
),

pieces as (
    select
        part_work.van,
        part_work.parameter,
        part_work.at as worked_at,
        part_work.what,
        part_work.part,
        cast(part_work.at as date) as work_day,
        count(*) over (partition by part_work.van, part_work.parameter, cast(part_work.at as date)) - 1 as n_same_day
    from part_work
),

windows as (
    select
        pieces.van,
        pieces.parameter,
        sides.state,
        pieces.worked_at,
        pieces.what,
        pieces.part,
        pieces.work_day,
        coalesce(before_sums.n_before, 0) as n_before,
        coalesce(after_sums.n_after, 0) as n_after,
        cast(before_sums.first_day - cast(round(settings.same_dates_days) as integer) as date) as before_from,
        least(
            pieces.work_day,
            cast(before_sums.last_day + cast(round(settings.same_dates_days) as integer) as date)
        ) as before_to,
        greatest(
            cast(pieces.work_day + 1 as date),
            cast(after_sums.first_day - cast(round(settings.same_dates_days) as integer) as date)
        ) as after_from,
        cast(after_sums.last_day + cast(round(settings.same_dates_days) as integer) as date) as after_to,
        before_sums.first_day as own_from,
        after_sums.last_day as own_to,
        after_sums.late_from,
        work_days.next_work,
        coalesce(before_sums.n_over_work, 0) as n_over_work,
        pieces.n_same_day
    from pieces
    inner join sides
        on pieces.van = sides.van and pieces.parameter = sides.parameter and pieces.work_day = sides.work_day
    inner join work_days
        on pieces.van = work_days.van
        and pieces.parameter = work_days.parameter
        and pieces.work_day = work_days.work_day
    cross join settings
    left join before_sums
        on sides.van = before_sums.van
        and sides.parameter = before_sums.parameter
        and sides.state = before_sums.state
        and sides.work_day = before_sums.work_day
    left join after_sums
        on sides.van = after_sums.van
        and sides.parameter = after_sums.parameter
        and sides.state = after_sums.state
        and sides.work_day = after_sums.work_day
)

select * from windows
