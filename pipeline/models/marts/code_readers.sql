-- Codes that two readers showed or did not show on one van within a day, where both had asked the module.
-- grain: one row per pair of readers x module x code
-- key: reader, other_reader, module, code
-- kind: table
-- column other_reader: the other reader
-- column n_asked: pairs of scans in which the module answered both, on vans that ever showed the code
-- column n_pairs: of those, pairs in which at least one listed the code
-- column n_both: pairs in which both listed it
-- column n_only: pairs in which only the first reader listed it
-- column n_only_other: pairs in which only the other reader listed it
-- column n_only_faint: of n_only, those listed as pending or healed, which a reader may be set not to show
-- column n_only_other_faint: of n_only_other, the same
-- column n_vans: vans behind it
with code_scans as (
    select * from int_code_scans
),

answered as (
    select
        van,
        module,
        code,
        reader,
        scanned_at,
        status is not null as is_listed,
        coalesce(status in ('pending', 'healed'), false) as is_faint
    from code_scans
    where coverage = 'answered'
),

pairs as (
    select
        one.reader,
        other.reader as other_reader,
        one.module,
        one.code,
        one.van,
        one.is_listed,
        other.is_listed as is_listed_by_other,
        one.is_faint,
        other.is_faint as is_faint_by_other
    from answered as one
    inner join answered as other
        on one.van = other.van
        and one.module = other.module
        and one.code = other.code
        and one.reader < other.reader
        and other.scanned_at <= one.scanned_at + interval '24' hour
        and one.scanned_at <= other.scanned_at + interval '24' hour
),

counted as (
    select
        reader,
        other_reader,
        module,
        code,
        count(*) as n_asked,
        count(case when is_listed or is_listed_by_other then 1 end) as n_pairs,
        count(case when is_listed and is_listed_by_other then 1 end) as n_both,
        count(case when is_listed and not is_listed_by_other then 1 end) as n_only,
        count(case when is_listed_by_other and not is_listed then 1 end) as n_only_other,
        count(case when is_listed and not is_listed_by_other and is_faint then 1 end) as n_only_faint,
        count(case when is_listed_by_other and not is_listed and is_faint_by_other then 1 end) as n_only_other_faint,
        count(distinct van) as n_vans
    from pairs
    group by reader, other_reader, module, code
),

listed as (
    select *
    from counted
    where n_pairs > 0
)

select * from listed
