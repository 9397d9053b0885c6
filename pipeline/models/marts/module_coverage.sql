-- What each reader has seen of each control unit of each van: answered, silent, not asked, or not said.
-- grain: one row per van x reader x module
-- key: van, reader, module
-- kind: table
-- column n_scans: scans of the van with this reader
-- column n_answered: scans in which the module answered
-- column n_silent: scans in which it was asked in vain
-- column n_not_asked: scans that say what they asked, and not this module
-- column n_unknown: scans that do not say what they asked
-- column n_fresh: answered scans too soon after a clearing for an absent code to mean anything
-- column last_answered_at: newest scan in which it answered (UTC)
with coverage as (
    select * from int_module_coverage
),

counted as (
    select
        van,
        reader,
        module,
        count(*) as n_scans,
        count(case when coverage = 'answered' then 1 end) as n_answered,
        count(case when coverage = 'silent' then 1 end) as n_silent,
        count(case when coverage = 'not_asked' then 1 end) as n_not_asked,
        count(case when coverage = 'unknown' then 1 end) as n_unknown,
        count(case when coverage = 'answered' and is_fresh then 1 end) as n_fresh,
        max(case when coverage = 'answered' then scanned_at end) as last_answered_at
    from coverage
    group by van, reader, module
)

select * from counted
