-- One row per finding of the newest build that holds other data than this one and is no younger than asked for.
with

earlier as (
    select distinct
        finding_history.build_id,
        finding_history.built_at,
        finding_history.data_to
    from finding_history
    cross join builds
    where finding_history.build_id <> builds.build_id
        and finding_history.built_at <= builds.built_at - to_days(cast($days as integer))
),

chosen as (
    select
        earlier.build_id,
        earlier.data_to
    from earlier
    cross join builds
    order by earlier.data_to is distinct from builds.data_to desc, earlier.built_at desc
    limit 1
),

found as (
    select
        finding_history.build_id,
        finding_history.built_at,
        finding_history.data_to,
        finding_history.finding_id,
        finding_history.kind,
        finding_history.tier,
        finding_history.van,
        finding_history.value,
        finding_history.difference,
        finding_history.interval_low,
        finding_history.interval_high,
        finding_history.n_scans,
        finding_history.last_seen,
        finding_history.claim
    from finding_history
    inner join chosen on finding_history.build_id = chosen.build_id
    order by finding_history.finding_id
)

select * from found
