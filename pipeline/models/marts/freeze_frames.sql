-- What the van's computer noted at the moment it stored a code.
-- grain: one row per scan x module x code x parameter
-- key: scan_key, module, code, parameter
-- kind: view
-- column value: median of the values given (the parameter's unit)
with frames as (
    select * from stg_freeze_frames
),

columns_kept as (
    select
        scan_key,
        van,
        scanned_at,
        nullif(module, '') as module,
        code,
        parameter,
        value
    from frames
)

select * from columns_kept
