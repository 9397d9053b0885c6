-- Vans at the two levels of an exposure ranked within each cohort: the counts, rank sums and pairwise shifts
-- that the stratified rank test rests on, before other exposures are taken off.
-- Vans seen at both levels are left out here; they are compared with themselves.
-- grain: one row per attribute x level x parameter x state x cohort that holds both levels
-- key: attribute, level, parameter, state, cohort_id
-- kind: table
-- column attribute: what is told of the vans, such as parking
-- column level: the level asked about, in lower case
-- column other_level: the level it is compared with, in lower case
-- column n_vans: vans at the level
-- column n_vans_other: vans at the other level
-- column rank_sum: sum of the ranks of the vans at the level, ties sharing theirs
-- column expected_rank_sum: what it would be on average without any effect
-- column rank_variance: its variance without any effect, ties allowed for
-- column median_shift: median over all pairs of vans of level less other (the parameter's unit)
with contrasts as (
    select * from computed.exposure_effects
),

levels as (
    select * from exposure_levels
),

spans as (
    select * from int_exposure_spans
),

sided as (
    select
        contrasts.attribute,
        contrasts.level,
        contrasts.other_level,
        contrasts.parameter,
        contrasts.state,
        levels.cohort_id,
        levels.van,
        case when spans.level = contrasts.level then 1 else 0 end as is_exposed,
        levels.y,
        levels.m
    from contrasts
    inner join spans
        on contrasts.attribute = spans.attribute
        and (contrasts.level = spans.level or contrasts.other_level = spans.level)
    inner join levels
        on spans.van = levels.van
        and spans.span_from = levels.span_from
        and contrasts.parameter = levels.parameter
        and contrasts.state = levels.state
),

one_sided as (
    select
        attribute,
        level,
        other_level,
        parameter,
        state,
        cohort_id,
        van,
        max(is_exposed) as is_exposed,
        sum(y * m) / nullif(sum(m), 0) as y
    from sided
    group by attribute, level, other_level, parameter, state, cohort_id, van
    having min(is_exposed) = max(is_exposed)
),

ranked as (
    select
        one_sided.*,
        rank() over (
            partition by attribute, level, parameter, state, cohort_id order by y
        ) as lowest_rank,
        count(*) over (
            partition by attribute, level, parameter, state, cohort_id, y
        ) as n_tied
    from one_sided
),

summed as (
    select
        attribute,
        level,
        other_level,
        parameter,
        state,
        cohort_id,
        cast(sum(is_exposed) as bigint) as n_vans,
        cast(sum(1 - is_exposed) as bigint) as n_vans_other,
        sum(is_exposed * (lowest_rank + (n_tied - 1) / 2.0)) as rank_sum,
        sum(cast(n_tied as double) * n_tied - 1) as ties
    from ranked
    group by attribute, level, other_level, parameter, state, cohort_id
    having sum(is_exposed) > 0 and sum(1 - is_exposed) > 0
),

pair_medians as (
    select
        exposed.attribute,
        exposed.level,
        exposed.parameter,
        exposed.state,
        exposed.cohort_id,
        median(exposed.y - others.y) as median_shift
    from one_sided as exposed
    inner join one_sided as others
        on exposed.attribute = others.attribute
        and exposed.level = others.level
        and exposed.parameter = others.parameter
        and exposed.state = others.state
        and exposed.cohort_id = others.cohort_id
    where exposed.is_exposed = 1 and others.is_exposed = 0
    group by exposed.attribute, exposed.level, exposed.parameter, exposed.state, exposed.cohort_id
),

joined as (
    select
        summed.attribute,
        summed.level,
        summed.other_level,
        summed.parameter,
        summed.state,
        summed.cohort_id,
        summed.n_vans,
        summed.n_vans_other,
        summed.rank_sum,
        summed.n_vans * (summed.n_vans + summed.n_vans_other + 1) / 2.0 as expected_rank_sum,
        summed.n_vans * summed.n_vans_other / 12.0 * (
            summed.n_vans + summed.n_vans_other + 1
            - summed.ties
            / nullif((summed.n_vans + summed.n_vans_other) * (summed.n_vans + summed.n_vans_other - 1), 0)
        ) as rank_variance,
        pair_medians.median_shift
    from summed
    inner join pair_medians
        on summed.attribute = pair_medians.attribute
        and summed.level = pair_medians.level
        and summed.parameter = pair_medians.parameter
        and summed.state = pair_medians.state
        and summed.cohort_id = pair_medians.cohort_id
)

select * from joined
