-- One row per scan of one van and code it ever showed: what the scan says about the code; newest codes first.
with

answers as (
    select
        code_scans.module,
        code_scans.code,
        coalesce(code_titles.title, '') as title,
        code_scans.scanned_at,
        code_scans.reader,
        code_scans.standing,
        code_scans.why_unknown,
        code_scans.status,
        code_scans.lamp,
        code_scans.is_low_voltage,
        max(case when code_scans.standing = 'present' then code_scans.scanned_at end) over (
            partition by code_scans.module, code_scans.code
        ) as last_shown_at
    from code_scans
    left join code_titles on code_scans.code = code_titles.code
    where code_scans.van = $van
),

shown as (
    select *
    from answers
    where last_shown_at is not null
    order by last_shown_at desc, code, module, scanned_at
)

select * from shown
