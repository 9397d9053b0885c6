-- Fault codes of a scan, each once, with the strongest status that was shown for it.
-- grain: one row per scan x module x code x failure type
-- key: scan_key, module, code, failure_type
-- kind: view
-- partition_by: scan_month
-- narrow_by: scan_key
-- changed: select distinct scan_month, scan_key from stg_scans
--     where scan_id in (select scan_id from raw.codes where batch_id > @last_batch)
with codes as (
    select * from raw.codes
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
        coalesce(own_modules.module, codes.module, '') as module,
        codes.code,
        coalesce(codes.failure_type, '') as failure_type,
        codes.structure,
        codes.status,
        codes.lamp,
        codes.text,
        codes.first_seen_km,
        codes.status_byte,
        codes.batch_id,
        codes.file_id,
        codes.line,
        case codes.status
            when 'present' then 1
            when 'confirmed' then 2
            when 'permanent' then 3
            when 'stored' then 4
            when 'pending' then 5
            when 'healed' then 6
            when 'not_tested' then 8
            when 'no_fault' then 9
            else 7
        end as status_order
    from codes
    inner join scans
        on codes.scan_id = scans.scan_id
        and (codes.reader = scans.reader or (codes.reader is null and scans.n_readers_of_id = 1))
    left join own_modules on lower(codes.module) = own_modules.name_folded
    where codes.code is not null and not scans.is_contradicted
),

strongest as (
    select
        scan_month,
        scan_key,
        van,
        scanned_at,
        reader,
        module,
        code,
        failure_type,
        structure,
        status,
        lamp,
        text,
        first_seen_km,
        status_byte
    from joined
    qualify row_number() over (
        partition by scan_month, scan_key, module, code, failure_type
        order by status_order, batch_id desc, file_id desc, line
    ) = 1
)

select * from strongest
