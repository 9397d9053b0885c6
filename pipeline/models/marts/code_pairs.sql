-- Codes that stand on the same scans: how often together, over the last level_days and all vans.
-- Only scans in which both modules answered count, and clusters of low supply voltage are left out.
-- grain: one row per pair of module and code, seen together on at least two scans
-- key: module, code, other_module, other_code
-- kind: table
-- column other_module: the other code's module
-- column other_code: the other code
-- column n_scans: scans in which both modules answered
-- column n_with: of those, scans with the code
-- column n_with_other: scans with the other code
-- column n_both: scans with both
-- column lift: how many times as often together as if they had nothing to do with each other: n_both * n_scans / (n_with * n_with_other)
-- column n_vans: vans with scans in which both modules answered
-- column n_vans_with: of those, vans with the code
-- column n_vans_with_other: vans with the other code
-- column n_vans_both: vans that showed both on one scan
-- column overlap: share of the scans with either that show both
with scan_answers as (
    select * from code_scans
),

coverage as (
    select * from int_module_coverage
),

showings as (
    select
        scan_key,
        van,
        module,
        code
    from scan_answers
    where standing = 'present' and is_counted and is_in_window
),

answered as (
    select
        coverage.scan_key,
        coverage.van,
        coverage.module
    from coverage
    where coverage.coverage = 'answered' and coverage.is_in_window
),

together as (
    select
        one.module,
        one.code,
        other.module as other_module,
        other.code as other_code,
        count(*) as n_both,
        count(distinct one.van) as n_vans_both
    from showings as one
    inner join showings as other
        on one.scan_key = other.scan_key
        and (one.module < other.module or (one.module = other.module and one.code < other.code))
    group by one.module, one.code, other.module, other.code
    having count(*) >= 2
),

module_pairs as (
    select distinct
        module,
        other_module
    from together
),

scan_counts as (
    select
        module_pairs.module,
        module_pairs.other_module,
        count(*) as n_scans,
        count(distinct one.van) as n_vans
    from module_pairs
    inner join answered as one on module_pairs.module = one.module
    inner join answered as other
        on module_pairs.other_module = other.module and one.scan_key = other.scan_key
    group by module_pairs.module, module_pairs.other_module
),

code_counts as (
    select
        showings.module,
        showings.code,
        answered.module as answered_module,
        count(*) as n_with,
        count(distinct showings.van) as n_vans_with
    from showings
    inner join answered on showings.scan_key = answered.scan_key
    group by showings.module, showings.code, answered.module
),

joined as (
    select
        together.module,
        together.code,
        together.other_module,
        together.other_code,
        scan_counts.n_scans,
        one.n_with,
        other.n_with as n_with_other,
        together.n_both,
        together.n_both * scan_counts.n_scans / nullif(one.n_with * other.n_with, 0) as lift,
        together.n_both / nullif(one.n_with + other.n_with - together.n_both, 0) as overlap,
        scan_counts.n_vans,
        one.n_vans_with,
        other.n_vans_with as n_vans_with_other,
        together.n_vans_both
    from together
    inner join scan_counts
        on together.module = scan_counts.module and together.other_module = scan_counts.other_module
    inner join code_counts as one
        on together.module = one.module
        and together.code = one.code
        and together.other_module = one.answered_module
    inner join code_counts as other
        on together.other_module = other.module
        and together.other_code = other.code
        and together.module = other.answered_module
)

select * from joined
