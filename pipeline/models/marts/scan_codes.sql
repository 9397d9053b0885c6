-- Fault codes shown by each scan; codes listed only as not tested or without a fault among them.
-- grain: one row per scan x module x code x failure type
-- key: scan_key, module, code, failure_type
-- kind: view
-- column failure_type: the two-digit failure type where the code carries one
-- column failure_says: what the failure type means
-- column structure: standard, maker, number (a maker's own number) or other
-- column status: the strongest status shown: present, confirmed, permanent, stored, pending, healed, unknown, not_tested, no_fault
-- column status_byte: the status byte, where the reader gave it
-- column status_flags: what the bits of the status byte say
-- column lamp: the code lights a warning lamp
-- column text: what the reader wrote beside the code
with codes as (
    select * from stg_codes
),

failure_types as (
    select * from vocab.failure_types
),

status_bytes as (
    select * from vocab.status_bytes
),

columns_kept as (
    select
        codes.scan_key,
        codes.van,
        codes.scanned_at,
        codes.reader,
        nullif(codes.module, '') as module,
        codes.code,
        nullif(codes.failure_type, '') as failure_type,
        failure_types.title as failure_says,
        codes.structure,
        codes.status,
        codes.status_byte,
        status_bytes.says as status_flags,
        codes.lamp,
        codes.text
    from codes
    left join failure_types on codes.failure_type = failure_types.failure_type
    left join status_bytes on codes.status_byte = status_bytes.status_byte
)

select * from columns_kept
