-- What the van's computer noted at the moment it stored a code: usable values only.
-- grain: one row per scan x module x code x parameter
-- key: scan_key, module, code, parameter
-- kind: view
-- partition_by: scan_month
-- narrow_by: scan_key
-- changed: select distinct scan_month, scan_key from stg_scans
--     where scan_id in (select scan_id from raw.freeze_frames where batch_id > @last_batch)
with frames as (
    select * from raw.freeze_frames
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
        coalesce(own_modules.module, frames.module, '') as module,
        frames.code,
        frames.parameter,
        median(frames.value) as value
    from frames
    inner join scans
        on frames.scan_id = scans.scan_id
        and (frames.reader = scans.reader or (frames.reader is null and scans.n_readers_of_id = 1))
    left join own_modules on lower(frames.module) = own_modules.name_folded
    where frames.quality = 'ok' and frames.value is not null and not scans.is_contradicted
    group by
        scans.scan_month, scans.scan_key, scans.van, scans.scanned_at,
        coalesce(own_modules.module, frames.module, ''), frames.code, frames.parameter
)

select * from joined
