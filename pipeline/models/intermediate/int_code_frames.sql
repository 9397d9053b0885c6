-- One freeze frame per showing of a code: what was noted when it was stored, and what the engine was doing then.
-- A stored code keeps its frame from scan to scan, so the first scan with a frame speaks for a whole run.
-- Nothing is known of the moment before, so states that need a change of speed are never told from a frame.
-- grain: one row per van x module x code x run x parameter
-- key: van, module, code, run_number, parameter
-- kind: table
-- column run_number: run of showing the code, as in int_code_scans
-- column value: as noted (the parameter's unit)
-- column state: by the operating-state rules; unknown where none holds and engine or vehicle speed is not in the frame
with frames as (
    select * from stg_freeze_frames
),

code_scans as (
    select * from int_code_scans
),

conditions as (
    select * from int_state_conditions
),

placed as (
    select
        frames.*,
        code_scans.run_number
    from frames
    inner join code_scans
        on frames.scan_key = code_scans.scan_key
        and frames.module = code_scans.module
        and frames.code = code_scans.code
    where code_scans.standing = 'present'
),

first_scans as (
    select
        van,
        module,
        code,
        run_number,
        arg_min(scan_key, concat(cast(scanned_at as varchar), scan_key)) as scan_key
    from placed
    group by van, module, code, run_number
),

kept as (
    select placed.*
    from placed
    inner join first_scans
        on placed.van = first_scans.van
        and placed.module = first_scans.module
        and placed.code = first_scans.code
        and placed.run_number = first_scans.run_number
        and placed.scan_key = first_scans.scan_key
),

moments as (
    select
        van,
        module,
        code,
        run_number,
        max(case when parameter = 'engine_speed' then 1 else 0 end) = 1 as has_engine_speed,
        max(case when parameter = 'vehicle_speed' then 1 else 0 end) = 1 as has_vehicle_speed
    from kept
    group by van, module, code, run_number
),

held as (
    select
        moments.van,
        moments.module,
        moments.code,
        moments.run_number,
        moments.has_engine_speed,
        moments.has_vehicle_speed,
        bit_or(case
            when kept.value is null then conditions.missing_bit
            when conditions.operator = '<=' and kept.value <= conditions.threshold then 0
            when conditions.operator = '<' and kept.value < conditions.threshold then 0
            when conditions.operator = '>=' and kept.value >= conditions.threshold then 0
            when conditions.operator = '>' and kept.value > conditions.threshold then 0
            when conditions.operator = '=' and kept.value = conditions.threshold then 0
            else conditions.rule_bit
        end) as failures
    from moments
    cross join conditions
    left join kept
        on moments.van = kept.van
        and moments.module = kept.module
        and moments.code = kept.code
        and moments.run_number = kept.run_number
        and conditions.signal = kept.parameter
    group by moments.van, moments.module, moments.code, moments.run_number,
        moments.has_engine_speed, moments.has_vehicle_speed
),

first_rules as (
    select
        held.van,
        held.module,
        held.code,
        held.run_number,
        arg_min(conditions.state, conditions.rule_number) as state
    from held
    inner join conditions on held.failures & conditions.rule_bit = 0
    group by held.van, held.module, held.code, held.run_number
),

stated as (
    select
        kept.van,
        kept.module,
        kept.code,
        kept.run_number,
        kept.parameter,
        kept.scan_key,
        kept.scanned_at,
        kept.value,
        case
            when not held.has_engine_speed then 'unknown'
            when first_rules.state is not null then first_rules.state
            when held.has_vehicle_speed then 'other'
            else 'unknown'
        end as state
    from kept
    inner join held
        on kept.van = held.van
        and kept.module = held.module
        and kept.code = held.code
        and kept.run_number = held.run_number
    left join first_rules
        on kept.van = first_rules.van
        and kept.module = first_rules.module
        and kept.code = first_rules.code
        and kept.run_number = first_rules.run_number
)

select * from stated
