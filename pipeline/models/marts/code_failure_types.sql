-- In which ways each code has failed: its failure types (third byte), van by van.
-- grain: one row per van x module x code x failure type
-- key: van, module, code, failure_type
-- kind: table
-- column failure_type: two hexadecimal digits; 00 says nothing more
-- column failure_says: what the failure type means; null where it is not in the list
-- column n_scans: scans that showed it as a fault
-- column last_status: newest status shown
with codes as (
    select * from stg_codes
),

failure_types as (
    select * from vocab.failure_types
),

counted as (
    select
        van,
        module,
        code,
        failure_type,
        count(distinct scan_key) as n_scans,
        min(scanned_at) as first_seen,
        max(scanned_at) as last_seen,
        arg_max(status, scanned_at) as last_status
    from codes
    where failure_type <> '' and status not in ('not_tested', 'no_fault')
    group by van, module, code, failure_type
),

titled as (
    select
        counted.van,
        counted.module,
        counted.code,
        counted.failure_type,
        failure_types.title as failure_says,
        counted.n_scans,
        counted.first_seen,
        counted.last_seen,
        counted.last_status
    from counted
    left join failure_types on counted.failure_type = failure_types.failure_type
)

select * from titled
