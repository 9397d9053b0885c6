-- One row per kind of work after which the code was gone for good, as far as later scans tell.
with

ended as (
    select
        what,
        part,
        count(distinct van) as n_vans,
        string_agg(distinct van, ', ' order by van) as vans,
        min(n_absent_since) as n_absent_least
    from code_endings
    where module = $module and code = $code
    group by what, part
    order by n_vans desc, what, part
)

select * from ended
