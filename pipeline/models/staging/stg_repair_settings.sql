-- The fleet's rules for judging work side by side, so that a model can join them once.
-- grain: one row
-- kind: table
-- column before_days: how far back before the work scans count (days)
-- column before_scans: newest scans before the work that count
-- column after_days: how long after the work scans count (days)
-- column min_scans_each_side: least scans before and after
-- column late_scans: newest scans after the work that say whether it is still right
-- column same_dates_days: days by which the siblings' dates may reach beyond the van's own scans
-- column scans_without_code: telling scans without a code after which the work has ended it
-- column cost_days: days before the end of the data over which costs are counted
-- column min_cost_km: distance below which no rate per 10,000 km is given (km)
with settings as (
    select * from vocab.settings
),

wide as (
    select
        max(case when key = 'before_days' then value end) as before_days,
        max(case when key = 'before_scans' then value end) as before_scans,
        max(case when key = 'after_days' then value end) as after_days,
        max(case when key = 'min_scans_each_side' then value end) as min_scans_each_side,
        max(case when key = 'late_scans' then value end) as late_scans,
        max(case when key = 'same_dates_days' then value end) as same_dates_days,
        max(case when key = 'scans_without_code' then value end) as scans_without_code,
        max(case when key = 'cost_days' then value end) as cost_days,
        max(case when key = 'min_cost_km' then value end) as min_cost_km
    from settings
)

select * from wide
