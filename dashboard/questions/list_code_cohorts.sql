-- One row per code and group of siblings with a shown van: how many of the whole group have it, with its interval.
with

shown_cohorts as (
    select distinct
        vans.cohort_id,
        vans.cohort
    from vans
    where vans.van in (select unnest(cast($vans as varchar[])))
),

matters as (
    select
        cohort_id,
        coalesce(module, '') as module,
        code,
        min(case tier when 'finding' then 1 when 'likely' then 2 when 'watch' then 3 else 4 end) as tier_order
    from findings
    where kind = 'code_fleetwide'
    group by cohort_id, coalesce(module, ''), code
),

joined as (
    select
        code_prevalence.cohort_id,
        shown_cohorts.cohort,
        code_prevalence.module,
        code_prevalence.code,
        code_prevalence.title,
        code_prevalence.structure,
        code_prevalence.n_vans,
        code_prevalence.n_vans_with,
        code_prevalence.n_vans_unknown,
        code_prevalence.share,
        code_prevalence.share_low,
        code_prevalence.share_high,
        code_prevalence.n_scans,
        code_prevalence.n_vans_lamp,
        code_prevalence.n_vans_lamp_known,
        case matters.tier_order when 1 then 'finding' when 2 then 'likely' when 3 then 'watch' else 'none' end as tier
    from code_prevalence
    inner join shown_cohorts on code_prevalence.cohort_id = shown_cohorts.cohort_id
    left join matters
        on code_prevalence.cohort_id = matters.cohort_id
        and code_prevalence.module = matters.module
        and code_prevalence.code = matters.code
    order by code_prevalence.share_low desc nulls last, code_prevalence.code, shown_cohorts.cohort
)

select * from joined
