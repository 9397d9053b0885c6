-- One row per finding of the last build whose newest scan lay in the month; none where no such build is kept.
with

of_month as (
    select
        build_id,
        built_at,
        data_to
    from finding_history
    where data_to >= cast($month_from as timestamp) and data_to < cast($month_to as timestamp)
    group by all
    order by data_to desc, built_at desc
    limit 1
),

named as (
    select
        finding_history.build_id,
        finding_history.data_to,
        finding_history.finding_id,
        finding_history.kind,
        finding_history.tier,
        finding_history.van,
        finding_history.value,
        finding_history.difference,
        finding_history.unit,
        finding_history.interval_low,
        finding_history.interval_high,
        finding_history.n_scans,
        finding_history.last_seen,
        finding_history.claim
    from finding_history
    inner join of_month on finding_history.build_id = of_month.build_id
    order by finding_history.finding_id
)

select * from named
