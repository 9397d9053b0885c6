-- Each van against its siblings month by month, as numbers: the siblings' median level, moved by what they did in that
-- month, which is the median of how far each stood from its own level; the van itself is left out of both. Months in
-- which fewer than min_siblings siblings were read borrow the month before and the month after.
-- Only scans since the last work on the part; no row where fewer than min_siblings siblings tell.
-- grain: one row per van x parameter x state x month
-- key: van_no, cell_no, scan_month
-- kind: table
-- column van_no: number of the van
-- column cell_no: number of parameter and state
-- column n_scans: scans of the van in that month
-- column first_no: number of the first of them
-- column last_no: number of the last of them
-- column day: their mean day (days since 2000-01-01)
-- column sibling_median: median of the siblings in that month, season, reader, updates and exposures taken off
--     (the parameter's unit)
-- column difference: mean of the van's values on the same footing less sibling_median (the parameter's unit)
-- column is_fallback: the siblings are the vans of all model years of the family
-- column n_siblings: siblings behind the median
with months as (
    select * from int_followed_months
),

epochs as (
    select * from int_followed_epochs
),

sibling_groups as (
    select * from int_sibling_groups
),

settings as (
    select * from stg_settings
),

fleet as (
    select
        data_to,
        date_diff('day', cast('2000-01-01' as date), cast(data_to as date)) as last_day
    from int_fleet
),

-- A van with fewer scans hardly leaves its own level and would hide what the others do.
moved as (
    select
        months.van_no,
        months.cell_no,
        months.scan_month as slot,
        sum(months.n_scans * (months.value_compared - epochs.level)) / nullif(sum(months.n_scans), 0) as amount
    from months
    inner join epochs
        on months.van_no = epochs.van_no
        and months.cell_no = epochs.cell_no
        and months.epoch = epochs.epoch
    where epochs.n_scans >= 4
    group by months.van_no, months.cell_no, months.scan_month
),

van_months as (
    select
        moved.van_no,
        sibling_groups.group_no,
        sibling_groups.is_judged,
        sibling_groups.is_fallback,
        moved.cell_no,
        moved.slot,
        moved.amount
    from moved
    inner join sibling_groups
        on moved.van_no = sibling_groups.van_no and moved.cell_no = sibling_groups.cell_no
),

slots as (
    select
        van_months.group_no,
        van_months.cell_no,
        van_months.slot,
        count(*) <= min(settings.min_siblings) as is_thin
    from van_months
    cross join settings
    group by van_months.group_no, van_months.cell_no, van_months.slot
),

same_month as (
    select van_months.*
    from van_months
    inner join slots
        on van_months.group_no = slots.group_no
        and van_months.cell_no = slots.cell_no
        and van_months.slot = slots.slot
    where not slots.is_thin
),

near_months as (
    select
        van_months.van_no,
        van_months.group_no,
        van_months.is_judged,
        van_months.is_fallback,
        van_months.cell_no,
        slots.slot,
        avg(van_months.amount) as amount
    from slots
    inner join van_months
        on slots.group_no = van_months.group_no
        and slots.cell_no = van_months.cell_no
        and van_months.slot >= cast(slots.slot - interval '1' month as date)
        and van_months.slot <= cast(slots.slot + interval '1' month as date)
    where slots.is_thin
    group by
        van_months.van_no, van_months.group_no, van_months.is_judged, van_months.is_fallback, van_months.cell_no,
        slots.slot
),

-- The siblings' levels stand in a slot of their own.
levels as (
    select
        epochs.van_no,
        sibling_groups.group_no,
        sibling_groups.is_judged,
        sibling_groups.is_fallback,
        epochs.cell_no,
        date '1900-01-01' as slot,
        epochs.level as amount
    from epochs
    inner join sibling_groups
        on epochs.van_no = sibling_groups.van_no and epochs.cell_no = sibling_groups.cell_no
    where epochs.is_last
),

pooled as (
    select * from same_month
    union all
    select * from near_months
    union all
    select * from levels
),

middles as (
    select
        group_no,
        cell_no,
        slot,
        count(*) as n_vans,
        median(amount) as middle
    from pooled
    group by group_no, cell_no, slot
    having count(*) > 1
),

-- The middle and its two neighbours give the median of the others for every van of the group.
neighbours as (
    select
        middles.group_no,
        middles.cell_no,
        middles.slot,
        middles.n_vans,
        middles.middle,
        case
            when count(case when pooled.amount < middles.middle then 1 end) = floor(middles.n_vans / 2)
                then max(case when pooled.amount < middles.middle then pooled.amount end)
            else middles.middle
        end as below,
        case
            when count(case when pooled.amount > middles.middle then 1 end) = floor(middles.n_vans / 2)
                then min(case when pooled.amount > middles.middle then pooled.amount end)
            else middles.middle
        end as above
    from middles
    inner join pooled
        on middles.group_no = pooled.group_no
        and middles.cell_no = pooled.cell_no
        and middles.slot = pooled.slot
    group by middles.group_no, middles.cell_no, middles.slot, middles.n_vans, middles.middle
),

without_itself as (
    select
        pooled.van_no,
        pooled.is_fallback,
        pooled.cell_no,
        pooled.slot,
        neighbours.n_vans - 1 as n_siblings,
        case
            when neighbours.n_vans % 2 = 0 and pooled.amount <= neighbours.middle then neighbours.above
            when neighbours.n_vans % 2 = 0 then neighbours.below
            when pooled.amount < neighbours.middle then (neighbours.middle + neighbours.above) / 2
            when pooled.amount > neighbours.middle then (neighbours.below + neighbours.middle) / 2
            else (neighbours.below + neighbours.above) / 2
        end as sibling_value
    from pooled
    inner join neighbours
        on pooled.group_no = neighbours.group_no
        and pooled.cell_no = neighbours.cell_no
        and pooled.slot = neighbours.slot
    where pooled.is_judged
),

differences as (
    select
        months.van_no,
        months.cell_no,
        months.scan_month,
        months.n_scans,
        months.first_no,
        months.last_no,
        fleet.last_day - months.age_days as day,
        levels.sibling_value + movements.sibling_value as sibling_median,
        months.value_compared - levels.sibling_value - movements.sibling_value as difference,
        movements.is_fallback,
        movements.n_siblings
    from months
    inner join epochs
        on months.van_no = epochs.van_no
        and months.cell_no = epochs.cell_no
        and months.epoch = epochs.epoch
        and epochs.is_last
    inner join without_itself as movements
        on months.van_no = movements.van_no
        and months.cell_no = movements.cell_no
        and months.scan_month = movements.slot
    inner join without_itself as levels
        on months.van_no = levels.van_no
        and months.cell_no = levels.cell_no
        and levels.slot = date '1900-01-01'
    cross join settings
    cross join fleet
    where movements.n_siblings >= settings.min_siblings
)

select * from differences
