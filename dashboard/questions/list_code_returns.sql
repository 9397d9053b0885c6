-- One row per van on which the code was cleared after it had been seen, whoever is shown: when it came back.
with

returns as (
    select
        van,
        cleared_at,
        has_returned,
        days_low,
        days_high,
        days,
        km_low,
        km_high,
        km,
        n_scans
    from code_returns
    where module = $module and code = $code
    order by days, van
)

select * from returns
