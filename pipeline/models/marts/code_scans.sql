-- What each scan of a van says about each code the van has ever shown, clusters of low supply voltage told apart.
-- grain: one row per van x module x code x scan
-- key: module, code, scan_key
-- kind: table
-- column standing: present; absent (the module answered, the code was not there or only healed); not_answered (the module was asked in vain); unknown (not asked, not said, or too soon after a clearing)
-- column why_unknown: not_asked, not_said, not_tested (the module says its test was not completed) or cleared; null where it is known
-- column status: the strongest status shown; null where the code was not listed
-- column lamp: the code lights a warning lamp
-- column is_low_voltage: this showing began in a cluster that low supply voltage explains, and was never gone since
-- column is_counted: says whether the van has the code: the module answered, nothing was just cleared, no such cluster
-- column is_in_window: within the last level_days of the data
with code_scans as (
    select * from int_code_scans
),

clusters as (
    select
        van,
        module,
        code,
        run_number
    from low_voltage_codes
    where is_cluster
),

joined as (
    select
        code_scans.van,
        code_scans.module,
        code_scans.code,
        code_scans.scan_key,
        code_scans.reader,
        code_scans.scanned_at,
        code_scans.standing,
        case
            when code_scans.standing <> 'unknown' then null
            when code_scans.coverage = 'not_asked' then 'not_asked'
            when code_scans.is_untested then 'not_tested'
            when code_scans.coverage = 'unknown' then 'not_said'
            else 'cleared'
        end as why_unknown,
        code_scans.status,
        code_scans.lamp,
        clusters.run_number is not null and code_scans.standing = 'present' as is_low_voltage,
        code_scans.coverage = 'answered'
        and code_scans.standing in ('present', 'absent')
        and not (clusters.run_number is not null and code_scans.standing = 'present') as is_counted,
        code_scans.is_in_window
    from code_scans
    left join clusters
        on code_scans.van = clusters.van
        and code_scans.module = clusters.module
        and code_scans.code = clusters.code
        and code_scans.run_number = clusters.run_number
)

select * from joined
