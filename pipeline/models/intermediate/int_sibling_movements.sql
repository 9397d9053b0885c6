-- What the siblings of a van did in a month: the median of how far each stood from its own level, the van itself left
-- out. Months in which fewer than min_siblings siblings were read borrow the month before and the month after.
-- The slot 1900-01-01 holds the median of the siblings' levels instead.
-- grain: one row per van x parameter x state x slot
-- key: van_no, cell_no, slot
-- kind: table
-- column van_no: number of the van
-- column cell_no: number of parameter and state
-- column slot: first day of the month, or 1900-01-01 for the levels
-- column is_fallback: the siblings are the vans of all model years of the family
-- column n_siblings: siblings behind the median
-- column sibling_value: median of the siblings' movements, or of their levels (the parameter's unit)
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

ranked as (
    select
        pooled.*,
        row_number() over (
            partition by pooled.group_no, pooled.cell_no, pooled.slot
            order by pooled.amount, pooled.van_no
        ) as place,
        count(*) over (
            partition by pooled.group_no, pooled.cell_no, pooled.slot
        ) as n_vans
    from pooled
),

-- The three values in the middle give the median of the others for every van of the group.
middles as (
    select
        group_no,
        cell_no,
        slot,
        max(case when place = floor(n_vans / 2) then amount end) as lower_amount,
        max(case when place = floor(n_vans / 2) + 1 then amount end) as middle_amount,
        max(case when place = floor(n_vans / 2) + 2 then amount end) as upper_amount
    from ranked
    group by group_no, cell_no, slot
),

without_itself as (
    select
        ranked.van_no,
        ranked.is_fallback,
        ranked.cell_no,
        ranked.slot,
        ranked.n_vans - 1 as n_siblings,
        case
            when ranked.n_vans % 2 = 0 and ranked.place <= floor(ranked.n_vans / 2) then middles.middle_amount
            when ranked.n_vans % 2 = 0 then middles.lower_amount
            when ranked.place <= floor(ranked.n_vans / 2)
                then (middles.middle_amount + middles.upper_amount) / 2
            when ranked.place = floor(ranked.n_vans / 2) + 1
                then (middles.lower_amount + middles.upper_amount) / 2
            else (middles.lower_amount + middles.middle_amount) / 2
        end as sibling_value
    from ranked
    inner join middles
        on ranked.group_no = middles.group_no
        and ranked.cell_no = middles.cell_no
        and ranked.slot = middles.slot
    where ranked.n_vans > 1 and ranked.is_judged
)

select * from without_itself
