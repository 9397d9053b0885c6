-- Whom each van is followed against: its cohort, or all model years of its family where its cohort has too few vans
-- with enough scans to move. A family has rows of all its vans, the lonely ones alone being judged in it.
-- grain: one row per group x van x parameter x state
-- key: group_no, van_no, cell_no
-- kind: table
-- column group_no: number of the cohort, or that of the family with a minus before it
-- column van_no: number of the van
-- column cell_no: number of parameter and state
-- column is_judged: the van is followed against this group; the others only stand for it
-- column is_fallback: the group is a family
with epochs as (
    select * from int_followed_epochs
),

vans as (
    select * from int_numbered_vans
),

settings as (
    select * from stg_settings
),

members as (
    select
        epochs.van_no,
        vans.cohort_no,
        vans.family_no,
        epochs.cell_no,
        max(case when epochs.n_scans >= 4 then 1 else 0 end) as tells
    from epochs
    inner join vans on epochs.van_no = vans.van_no
    where vans.cohort_no is not null
    group by epochs.van_no, vans.cohort_no, vans.family_no, epochs.cell_no
),

cohort_sizes as (
    select
        cohort_no,
        cell_no,
        sum(tells) as n_vans
    from members
    group by cohort_no, cell_no
),

family_sizes as (
    select
        family_no,
        cell_no,
        sum(tells) as n_vans
    from members
    group by family_no, cell_no
),

placed as (
    select
        members.van_no,
        members.cohort_no,
        members.family_no,
        members.cell_no,
        cohort_sizes.n_vans <= settings.min_siblings
        and family_sizes.n_vans > settings.min_siblings as is_lonely
    from members
    inner join cohort_sizes
        on members.cohort_no = cohort_sizes.cohort_no and members.cell_no = cohort_sizes.cell_no
    inner join family_sizes
        on members.family_no = family_sizes.family_no and members.cell_no = family_sizes.cell_no
    cross join settings
),

lonely_families as (
    select distinct
        family_no,
        cell_no
    from placed
    where is_lonely
),

grouped as (
    select
        cohort_no as group_no,
        van_no,
        cell_no,
        not is_lonely as is_judged,
        false as is_fallback
    from placed
    union all
    select
        -placed.family_no as group_no,
        placed.van_no,
        placed.cell_no,
        placed.is_lonely as is_judged,
        true as is_fallback
    from placed
    inner join lonely_families
        on placed.family_no = lonely_families.family_no and placed.cell_no = lonely_families.cell_no
)

select * from grouped
