-- One row per code one van has shown, with how many scans showed it of those that could have.
with

covered as (
    select count(*) as n_covered
    from scans
    where van = $van and coverage_known
),

codes as (
    select
        scan_codes.module,
        scan_codes.code,
        coalesce(any_value(code_titles.title), max(scan_codes.text)) as title,
        count(distinct scan_codes.scan_key) as n_scans,
        min(scan_codes.scanned_at) as first_seen,
        max(scan_codes.scanned_at) as last_seen,
        arg_max(scan_codes.status, scan_codes.scanned_at) as last_status,
        coalesce(bool_or(scan_codes.lamp), false) as had_lamp,
        max(scan_codes.scanned_at) >= (select max(scanned_at) from scans where van = $van) as on_last_scan
    from scan_codes
    left join code_titles on scan_codes.code = code_titles.code
    where scan_codes.van = $van and scan_codes.status not in ('not_tested', 'no_fault')
    group by scan_codes.module, scan_codes.code
),

counted as (
    select
        codes.*,
        covered.n_covered
    from codes
    cross join covered
    order by codes.on_last_scan desc, codes.last_seen desc, codes.code
)

select * from counted
