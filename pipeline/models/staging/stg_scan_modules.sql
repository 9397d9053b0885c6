-- Which modules were asked in a scan and whether they answered; an answer in any file counts.
-- grain: one row per scan x module
-- key: scan_key, module
-- kind: view
-- partition_by: scan_month
-- narrow_by: scan_key
-- changed: select distinct scan_month, scan_key from stg_scans
--     where scan_id in (select scan_id from raw.scan_modules where batch_id > @last_batch)
with modules as (
    select * from raw.scan_modules
),

own_modules as (
    select * from vocab.own_modules
),

scans as (
    select * from stg_scans
),

joined as (
    select
        scans.scan_month,
        scans.scan_key,
        scans.van,
        scans.scanned_at,
        scans.reader,
        coalesce(own_modules.module, modules.module) as module,
        min(coalesce(modules.module_given, modules.module)) as module_given,
        max(case when modules.answered then 1 else 0 end) = 1 as answered
    from modules
    inner join scans
        on modules.scan_id = scans.scan_id
        and (modules.reader = scans.reader or (modules.reader is null and scans.n_readers_of_id = 1))
    left join own_modules on lower(modules.module) = own_modules.name_folded
    where modules.module is not null
    group by
        scans.scan_month, scans.scan_key, scans.van, scans.scanned_at, scans.reader,
        coalesce(own_modules.module, modules.module)
)

select * from joined
