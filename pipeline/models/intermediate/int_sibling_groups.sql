-- Whom each van is followed against: its cohort, or all model years of its family where its cohort has too few vans
-- with enough scans to move. A family has rows of all its vans, the lonely ones alone being judged in it.
-- grain: one row per group x van x parameter x state
-- key: group_id, van, parameter, state
-- kind: table
-- column group_id: cohort or family, with its name before it
-- column is_judged: the van is followed against this group; the others only stand for it
-- column is_fallback: the group is a family
with followed as (
    select * from int_followed_scans
),

settings as (
    select * from stg_settings
),

members as (
    select
        van,
        cohort_id,
        family_id,
        parameter,
        state,
        max(case when n_epoch_scans >= 4 then 1 else 0 end) as tells
    from followed
    where cohort_id is not null
    group by van, cohort_id, family_id, parameter, state
),

cohort_sizes as (
    select
        cohort_id,
        parameter,
        state,
        sum(tells) as n_vans
    from members
    group by cohort_id, parameter, state
),

family_sizes as (
    select
        family_id,
        parameter,
        state,
        sum(tells) as n_vans
    from members
    group by family_id, parameter, state
),

placed as (
    select
        members.van,
        members.cohort_id,
        members.family_id,
        members.parameter,
        members.state,
        cohort_sizes.n_vans <= settings.min_siblings
        and family_sizes.n_vans > settings.min_siblings as is_lonely
    from members
    inner join cohort_sizes
        on members.cohort_id = cohort_sizes.cohort_id
        and members.parameter = cohort_sizes.parameter
        and members.state = cohort_sizes.state
    inner join family_sizes
        on members.family_id = family_sizes.family_id
        and members.parameter = family_sizes.parameter
        and members.state = family_sizes.state
    cross join settings
),

lonely_families as (
    select distinct
        family_id,
        parameter,
        state
    from placed
    where is_lonely
),

grouped as (
    select
        concat('cohort ', cohort_id) as group_id,
        van,
        parameter,
        state,
        not is_lonely as is_judged,
        false as is_fallback
    from placed
    union all
    select
        concat('family ', placed.family_id) as group_id,
        placed.van,
        placed.parameter,
        placed.state,
        placed.is_lonely as is_judged,
        true as is_fallback
    from placed
    inner join lonely_families
        on placed.family_id = lonely_families.family_id
        and placed.parameter = lonely_families.parameter
        and placed.state = lonely_families.state
)

select * from grouped
