-- One row per scan of a shown van that ever showed the code: what the scan says about it.
with

answers as (
    select
        code_scans.van,
        code_scans.scanned_at,
        code_scans.reader,
        code_scans.standing,
        code_scans.why_unknown,
        code_scans.status,
        code_scans.lamp,
        code_scans.is_low_voltage
    from code_scans
    where code_scans.module = $module
        and code_scans.code = $code
        and code_scans.van in (select unnest(cast($vans as varchar[])))
    order by code_scans.van, code_scans.scanned_at
)

select * from answers
