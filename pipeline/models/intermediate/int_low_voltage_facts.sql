-- What is known around each scan in which codes for low supply voltage, or network codes of many modules, first show.
-- grain: one row per scan
-- key: scan_key
-- kind: table
-- column has_supply_code: a code names low supply voltage
-- column n_modules: modules that complain of supply, lost communication or invalid data
-- column has_side_code: charging, sensor supply or cranking signals complain too
-- column n_codes: codes of the cluster
-- column rest_v: lowest battery voltage at rest (V)
-- column cranking_v: lowest voltage while cranking (V)
-- column cranking_floor_v: least that a sound battery keeps at that temperature (V); the coldest line where none is known
-- column freeze_v: lowest supply voltage of the cluster's freeze frames (V)
-- column ran_well: a freeze frame shows the engine running on good voltage
-- column first_seen_km_from: lowest odometer of a first entry (km)
-- column first_seen_km_to: highest odometer of a first entry (km)
-- column n_first_seen: codes whose first entry is known
-- column work_before: work of the days before that drains or replaces a battery
-- column stayed_away: after charging and clearing, every code of the cluster was looked for and gone
-- column came_back_well: a code of the cluster came back on good rest and running voltage
-- column is_over: each code of the cluster was looked for later and is gone
with codes as (
    select * from int_low_voltage_codes
),

code_scans as (
    select * from int_code_scans
),

scans as (
    select * from stg_scans
),

frames as (
    select * from stg_freeze_frames
),

work as (
    select * from stg_work
),

clears as (
    select * from int_clears
),

parts as (
    select * from vocab.parts
),

floors as (
    select * from vocab.cranking_floors
),

limits as (
    select
        max(case when key = 'modules' then value end) as modules,
        max(case when key = 'work_days' then value end) as work_days,
        max(case when key = 'good_rest_v' then value end) as good_rest_v,
        max(case when key = 'good_running_v' then value end) as good_running_v,
        max(case when key = 'freeze_running_v' then value end) as freeze_running_v,
        max(case when key = 'freeze_running_speed' then value end) as freeze_running_speed
    from vocab.low_voltage_limits
),

counted as (
    select
        codes.scan_key,
        codes.van,
        codes.scanned_at,
        max(case when codes.is_supply then 1 else 0 end) = 1 as has_supply_code,
        count(distinct case when codes.is_network then codes.module end) as n_modules,
        max(case when codes.is_side then 1 else 0 end) = 1 as has_side_code,
        max(case when codes.is_first_of_run and (codes.is_supply or codes.is_network) then 1 else 0 end) = 1 as is_new
    from codes
    group by codes.scan_key, codes.van, codes.scanned_at
),

looked_at as (
    select counted.*
    from counted
    cross join limits
    where counted.is_new and (counted.has_supply_code or counted.n_modules >= limits.modules)
),

cluster as (
    select codes.*
    from codes
    inner join looked_at on codes.scan_key = looked_at.scan_key
    where codes.is_first_of_run
),

entries as (
    select
        scan_key,
        count(*) as n_codes,
        count(first_seen_km) as n_first_seen,
        min(first_seen_km) as first_seen_km_from,
        max(first_seen_km) as first_seen_km_to
    from cluster
    group by scan_key
),

-- Voltages are asked only of scans that show a code.
showing as (
    select scan_key
    from codes
    union
    select scan_key
    from code_scans
    where standing = 'present'
),

voltages as (
    select
        scan_values.scan_key,
        min(case when scan_values.parameter = 'battery_rest_voltage' then scan_values.value end) as rest_v,
        min(case when scan_values.parameter = 'cranking_voltage_min' then scan_values.value_min end) as cranking_v,
        min(
            case
                when scan_values.parameter = 'supply_voltage'
                    and scan_values.state not in ('engine_off', 'unknown', 'cranking') then scan_values.value
            end
        ) as running_v
    from int_scan_values as scan_values
    inner join showing on scan_values.scan_key = showing.scan_key
    where scan_values.parameter in ('battery_rest_voltage', 'cranking_voltage_min', 'supply_voltage')
    group by scan_values.scan_key
),

cluster_frames as (
    select
        frames.scan_key,
        frames.module,
        frames.code,
        min(case when frames.parameter = 'supply_voltage' then frames.value end) as supply_v,
        max(case when frames.parameter = 'engine_speed' then frames.value end) as engine_speed
    from frames
    inner join cluster
        on frames.scan_key = cluster.scan_key
        and frames.module = cluster.module
        and frames.code = cluster.code
    group by frames.scan_key, frames.module, frames.code
),

frame_facts as (
    select
        cluster_frames.scan_key,
        min(cluster_frames.supply_v) as freeze_v,
        max(
            case
                when cluster_frames.engine_speed > limits.freeze_running_speed
                    and cluster_frames.supply_v >= limits.freeze_running_v then 1
                else 0
            end
        ) = 1 as ran_well
    from cluster_frames
    cross join limits
    group by cluster_frames.scan_key
),

battery_work as (
    select distinct
        work.van,
        work.at,
        work.what,
        work.what = 'replaced' as is_new_battery
    from work
    left join parts
        on work.part_folded = parts.part_folded and parts.parameter = 'battery_rest_voltage'
    where work.what in ('charged', 'jump_started', 'reader_left_plugged')
        or (work.what = 'replaced' and parts.parameter is not null)
),

drained as (
    select
        looked_at.scan_key,
        arg_max(battery_work.what, battery_work.at) as work_before
    from looked_at
    inner join battery_work on looked_at.van = battery_work.van and battery_work.at <= looked_at.scanned_at
    cross join limits
    where battery_work.what <> 'charged'
        and date_diff('day', cast(battery_work.at as date), cast(looked_at.scanned_at as date)) <= limits.work_days
    group by looked_at.scan_key
),

charged as (
    select
        looked_at.scan_key,
        min(battery_work.at) as charged_at
    from looked_at
    inner join battery_work on looked_at.van = battery_work.van and battery_work.at >= looked_at.scanned_at
    where battery_work.what = 'charged' or battery_work.is_new_battery
    group by looked_at.scan_key
),

cleared as (
    select
        looked_at.scan_key,
        min(clears.cleared_at) as cleared_at
    from looked_at
    inner join clears on looked_at.van = clears.van and clears.cleared_at >= looked_at.scanned_at
    group by looked_at.scan_key
),

later as (
    select
        cluster.scan_key,
        cluster.module,
        cluster.code,
        max(case when code_scans.standing = 'absent' then code_scans.scanned_at end) as absent_at,
        max(case when code_scans.standing = 'present' then code_scans.scanned_at end) as present_at,
        max(
            case
                when code_scans.standing = 'present' and code_scans.run_number > cluster.run_number
                    and voltages.rest_v >= limits.good_rest_v and voltages.running_v >= limits.good_running_v then 1
                else 0
            end
        ) = 1 as came_back_well
    from cluster
    inner join code_scans
        on cluster.van = code_scans.van
        and cluster.module = code_scans.module
        and cluster.code = code_scans.code
        and cluster.scanned_at < code_scans.scanned_at
    left join voltages on code_scans.scan_key = voltages.scan_key
    cross join limits
    group by cluster.scan_key, cluster.module, cluster.code
),

aftermath as (
    select
        cluster.scan_key,
        min(case when later.absent_at > coalesce(later.present_at, cluster.scanned_at) then 1 else 0 end) = 1
            as is_over,
        min(
            case
                when later.absent_at > cleared.cleared_at
                    and coalesce(later.present_at <= cleared.cleared_at, true) then 1
                else 0
            end
        ) = 1 as is_gone_after_clear,
        max(case when later.came_back_well then 1 else 0 end) = 1 as came_back_well
    from cluster
    left join later
        on cluster.scan_key = later.scan_key
        and cluster.module = later.module
        and cluster.code = later.code
    left join cleared on cluster.scan_key = cleared.scan_key
    group by cluster.scan_key
),

joined as (
    select
        looked_at.scan_key,
        looked_at.van,
        looked_at.scanned_at,
        looked_at.has_supply_code,
        looked_at.n_modules,
        looked_at.has_side_code,
        entries.n_codes,
        scans.standing_days,
        voltages.rest_v,
        voltages.cranking_v,
        case
            when voltages.cranking_v is not null
                then floors.from_v + (floors.to_v - floors.from_v)
                * (coalesce(scans.ambient_c, -273.15) - floors.from_c) / nullif(floors.to_c - floors.from_c, 0)
        end as cranking_floor_v,
        frame_facts.freeze_v,
        coalesce(frame_facts.ran_well, false) as ran_well,
        entries.n_first_seen,
        entries.first_seen_km_from,
        entries.first_seen_km_to,
        drained.work_before,
        aftermath.is_gone_after_clear and charged.charged_at is not null as stayed_away,
        aftermath.came_back_well,
        aftermath.is_over
    from looked_at
    inner join scans on looked_at.scan_key = scans.scan_key
    inner join entries on looked_at.scan_key = entries.scan_key
    inner join aftermath on looked_at.scan_key = aftermath.scan_key
    left join voltages on looked_at.scan_key = voltages.scan_key
    left join frame_facts on looked_at.scan_key = frame_facts.scan_key
    left join drained on looked_at.scan_key = drained.scan_key
    left join charged on looked_at.scan_key = charged.scan_key
    left join floors
        on coalesce(scans.ambient_c, -273.15) >= floors.from_c
        and coalesce(scans.ambient_c, -273.15) < floors.to_c
)

select * from joined
