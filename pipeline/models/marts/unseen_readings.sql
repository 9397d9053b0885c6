-- Readings in which siblings are compared and a van is not, because the readers that read it do not decode them:
-- they never showed the reading on any van of the model, or they show one and the same value on every van.
-- Readings worked out from others are left out: no reader shows them.
-- grain: one row per van x parameter x state
-- key: van, parameter, state
-- kind: table
-- column reader: the reader that has read the van in that state over the last level_days; of several the first
-- column other_reader: of several the last in the alphabet; null for one
-- column n_readers: how many have
-- column is_one_value: they show it, but as one and the same value on every van
-- column n_siblings: vans of the cohort that have the reading
-- column n_scans: scans of the van in that state with these readers
-- column reason: why it is not judged, in words
with scan_values as (
    select * from int_scan_values
),

scans as (
    select * from int_numbered_scans
),

vans as (
    select * from int_numbered_vans
),

scores as (
    select * from sibling_scores
),

decoded as (
    select * from reader_coverage
),

fixed as (
    select * from undecoded_readings
),

formulas as (
    select * from worked_out
),

settings as (
    select * from stg_settings
),

scan_states as (
    select distinct
        scans.scan_no,
        scan_values.state
    from scan_values
    inner join scans on scan_values.scan_key = scans.scan_key
    cross join settings
    where scans.age_days <= settings.level_days
),

compared as (
    select
        scores.cohort_id,
        scores.parameter,
        scores.state,
        count(*) as n_vans
    from scores
    left join formulas on scores.parameter = formulas.parameter
    where scores.channel = 'level' and scores.value is not null and formulas.parameter is null
    group by scores.cohort_id, scores.parameter, scores.state
    having count(*) >= 3
),

read_in as (
    select
        vans.van,
        vans.cohort_id,
        vans.family_id,
        scan_states.state,
        scans.reader,
        count(*) as n_scans
    from scan_states
    inner join scans on scan_states.scan_no = scans.scan_no
    inner join vans on scans.van_no = vans.van_no
    where vans.cohort_id is not null
    group by vans.van, vans.cohort_id, vans.family_id, scan_states.state, scans.reader
),

shown as (
    select distinct
        reader,
        family_id,
        parameter
    from decoded
),

own as (
    select
        van,
        parameter,
        state
    from scores
    where channel = 'level' and value is not null
),

-- Every reading of the cohort beside every reader that has read the van in that state.
asked as (
    select
        read_in.van,
        read_in.cohort_id,
        read_in.state,
        read_in.reader,
        read_in.n_scans,
        compared.parameter,
        compared.n_vans,
        case when shown.reader is null then 0 else 1 end as is_shown,
        case when fixed.reader is null then 0 else 1 end as is_fixed,
        case when own.van is null then 0 else 1 end as is_own
    from read_in
    inner join compared on read_in.cohort_id = compared.cohort_id and read_in.state = compared.state
    left join shown
        on read_in.reader = shown.reader
        and read_in.family_id = shown.family_id
        and compared.parameter = shown.parameter
    left join fixed on read_in.reader = fixed.reader and compared.parameter = fixed.parameter
    left join own
        on read_in.van = own.van
        and compared.parameter = own.parameter
        and read_in.state = own.state
),

judged as (
    select
        van,
        min(cohort_id) as cohort_id,
        parameter,
        state,
        min(reader) as reader,
        max(reader) as last_reader,
        min(case when is_fixed = 1 then reader end) as fixed_reader,
        count(*) as n_readers,
        max(is_fixed) = 1 as is_one_value,
        min(n_vans) - max(is_own) as n_siblings,
        cast(sum(n_scans) as bigint) as n_scans
    from asked
    group by van, parameter, state
    having min(case when is_shown = 0 or is_fixed = 1 then 1 else 0 end) = 1
),

told as (
    select
        van,
        cohort_id,
        parameter,
        state,
        reader,
        case when n_readers > 1 then last_reader end as other_reader,
        n_readers,
        is_one_value,
        n_siblings,
        n_scans,
        case
            when is_one_value then 'not decoded by ' || fixed_reader || ', which shows one and the same value on every van'
            when n_readers = 1 then 'not decoded by ' || reader || ', the only reader of this van in that state'
            when n_readers = 2 then 'not decoded by ' || reader || ' nor by ' || last_reader
            else 'not decoded by any of the readers that read this van'
        end as reason
    from judged
)

select * from told
