-- One row over the shown vans: how often a code lit the lamp where the reader says so.
with

shown as (
    select unnest(cast($vans as varchar[])) as van
),

counted as (
    select
        count(*) as n_known,
        count(*) filter (where code_scans.lamp) as n_lit,
        count(distinct code_scans.van) as n_vans_known,
        count(distinct code_scans.van) filter (where code_scans.lamp) as n_vans_lit
    from code_scans
    inner join shown on code_scans.van = shown.van
    where
        code_scans.module = $module
        and code_scans.code = $code
        and code_scans.standing = 'present'
        and code_scans.lamp is not null
)

select * from counted
