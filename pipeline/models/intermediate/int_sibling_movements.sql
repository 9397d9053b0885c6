-- What the siblings of a van did in a month: the median of how far each stood from its own level, the van itself left
-- out. Months in which fewer than min_siblings siblings were read borrow the month before and the month after.
-- The slot 1900-01-01 holds the median of the siblings' levels instead.
-- grain: one row per van x parameter x state x slot
-- key: van, parameter, state, slot
-- kind: table
-- column slot: first day of the month, or 1900-01-01 for the levels
-- column is_fallback: the siblings are the vans of all model years of the family
-- column n_siblings: siblings behind the median
-- column sibling_value: median of the siblings' movements, or of their levels (the parameter's unit)
with followed as (
    select * from int_followed_scans
),

sibling_groups as (
    select * from int_sibling_groups
),

settings as (
    select * from stg_settings
),

-- A van with fewer scans hardly leaves its own level and would hide what the others do.
van_months as (
    select
        followed.van,
        sibling_groups.group_id,
        followed.parameter,
        followed.state,
        followed.scan_month as slot,
        avg(followed.movement) as amount
    from followed
    inner join sibling_groups
        on followed.van = sibling_groups.van
        and followed.parameter = sibling_groups.parameter
        and followed.state = sibling_groups.state
    where followed.n_epoch_scans >= 4
    group by followed.van, sibling_groups.group_id, followed.parameter, followed.state, followed.scan_month
),

slots as (
    select
        van_months.group_id,
        van_months.parameter,
        van_months.state,
        van_months.slot,
        count(*) <= min(settings.min_siblings) as is_thin
    from van_months
    cross join settings
    group by van_months.group_id, van_months.parameter, van_months.state, van_months.slot
),

same_month as (
    select van_months.*
    from van_months
    inner join slots
        on van_months.group_id = slots.group_id
        and van_months.parameter = slots.parameter
        and van_months.state = slots.state
        and van_months.slot = slots.slot
    where not slots.is_thin
),

near_months as (
    select
        van_months.van,
        van_months.group_id,
        van_months.parameter,
        van_months.state,
        slots.slot,
        avg(van_months.amount) as amount
    from slots
    inner join van_months
        on slots.group_id = van_months.group_id
        and slots.parameter = van_months.parameter
        and slots.state = van_months.state
        and van_months.slot >= cast(slots.slot - interval '1' month as date)
        and van_months.slot <= cast(slots.slot + interval '1' month as date)
    where slots.is_thin
    group by van_months.van, van_months.group_id, van_months.parameter, van_months.state, slots.slot
),

levels as (
    select
        followed.van,
        sibling_groups.group_id,
        followed.parameter,
        followed.state,
        date '1900-01-01' as slot,
        min(followed.level) as amount
    from followed
    inner join sibling_groups
        on followed.van = sibling_groups.van
        and followed.parameter = sibling_groups.parameter
        and followed.state = sibling_groups.state
    where followed.is_last_epoch
    group by followed.van, sibling_groups.group_id, followed.parameter, followed.state
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
            partition by pooled.group_id, pooled.parameter, pooled.state, pooled.slot
            order by pooled.amount, pooled.van
        ) as place,
        count(*) over (
            partition by pooled.group_id, pooled.parameter, pooled.state, pooled.slot
        ) as n_vans
    from pooled
),

-- The three values in the middle give the median of the others for every van of the group.
middles as (
    select
        group_id,
        parameter,
        state,
        slot,
        max(case when place = floor(n_vans / 2) then amount end) as lower_amount,
        max(case when place = floor(n_vans / 2) + 1 then amount end) as middle_amount,
        max(case when place = floor(n_vans / 2) + 2 then amount end) as upper_amount
    from ranked
    group by group_id, parameter, state, slot
),

without_itself as (
    select
        ranked.van,
        sibling_groups.is_fallback,
        ranked.parameter,
        ranked.state,
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
        on ranked.group_id = middles.group_id
        and ranked.parameter = middles.parameter
        and ranked.state = middles.state
        and ranked.slot = middles.slot
    inner join sibling_groups
        on ranked.group_id = sibling_groups.group_id
        and ranked.van = sibling_groups.van
        and ranked.parameter = sibling_groups.parameter
        and ranked.state = sibling_groups.state
    where ranked.n_vans > 1 and sibling_groups.is_judged
)

select * from without_itself
