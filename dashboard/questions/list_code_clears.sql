-- One row per clearing of the code, or of all codes, on a shown van that ever showed it.
with

cleared as (
    select distinct
        work.van,
        work.at as cleared_at
    from work
    inner join van_codes on work.van = van_codes.van and van_codes.module = $module and van_codes.code = $code
    where work.what = 'cleared'
        and coalesce(nullif(work.code, ''), $code) = $code
        and work.van in (select unnest(cast($vans as varchar[])))
    order by work.van, cleared_at
)

select * from cleared
