-- The fleet's rules for codes side by side, so that a model can join them once.
-- grain: one row
-- kind: table
-- column min_warmups_since_clear: warm-ups after clearing from which an absent code counts as absent
-- column min_km_since_clear: distance after clearing from which an absent code counts as absent (km)
-- column recent_scans: newest scans that say whether a van has a code now
-- column level_days: days before the end of the data that are looked at
with settings as (
    select * from vocab.settings
),

wide as (
    select
        max(case when key = 'min_warmups_since_clear' then value end) as min_warmups_since_clear,
        max(case when key = 'min_km_since_clear' then value end) as min_km_since_clear,
        max(case when key = 'recent_scans' then value end) as recent_scans,
        max(case when key = 'level_days' then value end) as level_days
    from settings
)

select * from wide
