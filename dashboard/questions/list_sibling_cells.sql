-- One row per shown van with this reading in this state: where it stands against its siblings.
with

shown as (
    select unnest(cast($vans as varchar[])) as van
),

cells as (
    select
        sibling_scores.van,
        vans.cohort_id,
        vans.cohort,
        vans.depot,
        sibling_scores.unit,
        sibling_scores.value,
        sibling_scores.expected,
        sibling_scores.difference,
        sibling_scores.interval_low,
        sibling_scores.interval_high,
        sibling_scores.q,
        sibling_scores.robust,
        sibling_scores.is_small_group,
        sibling_scores.is_fallback,
        sibling_scores.detectable,
        sibling_scores.n_siblings,
        sibling_scores.n_scans,
        sibling_scores.n_scans_earlier,
        sibling_scores.first_seen,
        sibling_scores.last_seen,
        sibling_scores.sibling_median,
        sibling_scores.sibling_low,
        sibling_scores.sibling_high,
        sibling_scores.tier,
        sibling_scores.verdict,
        sibling_scores.reason
    from sibling_scores
    inner join shown on sibling_scores.van = shown.van
    inner join vans on sibling_scores.van = vans.van
    where sibling_scores.parameter = $parameter
        and sibling_scores.state = $state
        and sibling_scores.channel = $channel
        and sibling_scores.value is not null
    order by vans.cohort, sibling_scores.value, sibling_scores.van
)

select * from cells
