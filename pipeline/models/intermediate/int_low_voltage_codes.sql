-- Codes that may come from low supply voltage, by how they begin (rules of the vocabulary), scan by scan.
-- A code that half of the siblings show outside such clusters is left out: it belongs to the model, not the battery.
-- grain: one row per scan x module x code
-- key: scan_key, module, code
-- kind: table
-- column is_supply: names low supply voltage
-- column is_network: of supply, lost communication or invalid data
-- column is_side: charging, sensor supply or cranking signal
-- column run_number: run of showing the code, as in int_code_scans
-- column is_first_of_run: newly shown in this scan
with code_scans as (
    select * from int_code_scans
),

coverage as (
    select * from int_module_coverage
),

vans as (
    select * from stg_vans
),

code_rules as (
    select * from vocab.low_voltage_codes
),

limits as (
    select
        max(case when key = 'modules' then value end) as modules,
        max(case when key = 'common_share' then value end) as common_share
    from vocab.low_voltage_limits
),

matched as (
    select
        code_scans.scan_key,
        code_scans.module,
        code_scans.code,
        max(case when code_rules.rule = 'supply_code' then 1 else 0 end) = 1 as is_supply,
        max(case when code_rules.rule = 'many_modules' then 1 else 0 end) = 1 as is_network,
        max(case when code_rules.rule = 'side_effect' then 1 else 0 end) = 1 as is_side
    from code_scans
    inner join code_rules
        on left(code_scans.code, length(code_rules.code_begins)) = code_rules.code_begins
    where code_scans.standing = 'present'
    group by code_scans.scan_key, code_scans.module, code_scans.code
),

storms as (
    select matched.scan_key
    from matched
    cross join limits
    where matched.is_network
    group by matched.scan_key
    having count(distinct matched.module) >= max(limits.modules)
),

-- Who shows the code while nothing else complains, and whose module could have shown it.
calm_vans as (
    select distinct
        vans.cohort_id,
        code_scans.van,
        code_scans.module,
        code_scans.code
    from code_scans
    inner join matched
        on code_scans.scan_key = matched.scan_key
        and code_scans.module = matched.module
        and code_scans.code = matched.code
    inner join vans on code_scans.van = vans.van
    left join storms on code_scans.scan_key = storms.scan_key
    where storms.scan_key is null and code_scans.is_in_window and code_scans.standing = 'present'
),

calm_counts as (
    select
        cohort_id,
        module,
        code,
        count(*) as n_vans_with
    from calm_vans
    group by cohort_id, module, code
),

covered_counts as (
    select
        vans.cohort_id,
        coverage.module,
        count(distinct coverage.van) as n_vans
    from coverage
    inner join vans on coverage.van = vans.van
    where coverage.coverage = 'answered' and coverage.is_in_window
    group by vans.cohort_id, coverage.module
),

joined as (
    select
        code_scans.scan_key,
        code_scans.van,
        code_scans.scanned_at,
        code_scans.module,
        code_scans.code,
        matched.is_supply,
        matched.is_network,
        matched.is_side,
        code_scans.first_seen_km,
        code_scans.run_number,
        code_scans.is_first_of_run,
        coalesce(
            (calm_counts.n_vans_with - case when calm_vans.van is null then 0 else 1 end)
            >= limits.common_share * nullif(covered_counts.n_vans - 1, 0),
            false
        ) as is_common
    from code_scans
    inner join matched
        on code_scans.scan_key = matched.scan_key
        and code_scans.module = matched.module
        and code_scans.code = matched.code
    left join vans on code_scans.van = vans.van
    left join calm_vans
        on code_scans.van = calm_vans.van
        and code_scans.module = calm_vans.module
        and code_scans.code = calm_vans.code
    left join calm_counts
        on vans.cohort_id = calm_counts.cohort_id
        and code_scans.module = calm_counts.module
        and code_scans.code = calm_counts.code
    left join covered_counts
        on vans.cohort_id = covered_counts.cohort_id and code_scans.module = covered_counts.module
    cross join limits
),

kept as (
    select
        scan_key,
        van,
        scanned_at,
        module,
        code,
        is_supply,
        is_network,
        is_side,
        first_seen_km,
        run_number,
        is_first_of_run
    from joined
    where not is_common
)

select * from kept
