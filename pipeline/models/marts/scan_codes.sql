-- Fault codes shown by each scan.
-- grain: one row per scan x module x code x failure type
-- key: scan_key, module, code, failure_type
-- kind: view
-- column failure_type: the two-digit failure type where the code carries one
-- column structure: standard, maker, number (a maker's own number) or other
-- column status: the strongest status shown: present, confirmed, permanent, stored, pending, healed, unknown
-- column lamp: the code lights a warning lamp
-- column text: what the reader wrote beside the code
with codes as (
    select * from stg_codes
),

columns_kept as (
    select
        scan_key,
        van,
        scanned_at,
        reader,
        nullif(module, '') as module,
        code,
        nullif(failure_type, '') as failure_type,
        structure,
        status,
        lamp,
        text
    from codes
)

select * from columns_kept
