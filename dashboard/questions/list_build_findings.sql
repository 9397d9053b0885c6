-- One row per finding of a build of then, as it was told; a build that found nothing gives one row without a finding.
with

found as (
    select
        build_id,
        built_at,
        data_to,
        finding_id,
        kind,
        tier,
        van,
        value,
        difference,
        unit,
        interval_low,
        interval_high,
        n_scans,
        last_seen,
        claim
    from finding_history
    where build_id = $build_id
    order by finding_id
)

select * from found
