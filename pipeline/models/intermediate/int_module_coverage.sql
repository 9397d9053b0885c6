-- What each scan says about each control unit that vans of its family are known to have.
-- grain: one row per scan x module
-- key: scan_key, module
-- kind: table
-- column coverage: answered, silent (asked in vain), not_asked, or unknown (the scan does not say what it asked)
-- column is_fresh: too soon after a clearing for an absent code to mean anything
-- column is_in_window: within the last level_days of the data
with scans as (
    select * from stg_scans
),

modules as (
    select * from stg_scan_modules
),

codes as (
    select * from stg_codes
),

vans as (
    select * from stg_vans
),

clears as (
    select * from int_scan_clears
),

fleet as (
    select * from int_fleet
),

settings as (
    select * from stg_settings
),

placed_scans as (
    select
        scans.scan_key,
        scans.van,
        scans.reader,
        scans.scanned_at,
        scans.coverage_known,
        coalesce(vans.family_id, scans.van) as group_id,
        coalesce(clears.is_fresh, false) as is_fresh,
        scans.scanned_at <= fleet.data_to
        and date_diff('day', cast(scans.scanned_at as date), cast(fleet.data_to as date)) <= settings.level_days
            as is_in_window
    from scans
    left join vans on scans.van = vans.van
    left join clears on scans.scan_key = clears.scan_key
    cross join fleet
    cross join settings
    where not scans.is_contradicted
),

met as (
    select
        scan_key,
        module
    from modules
    union
    select
        scan_key,
        module
    from codes
),

known_modules as (
    select distinct
        placed_scans.group_id,
        met.module
    from met
    inner join placed_scans on met.scan_key = placed_scans.scan_key
),

joined as (
    select
        placed_scans.scan_key,
        placed_scans.van,
        placed_scans.reader,
        placed_scans.scanned_at,
        known_modules.module,
        case
            when modules.answered then 'answered'
            when not modules.answered then 'silent'
            when placed_scans.coverage_known and known_modules.module <> '' then 'not_asked'
            else 'unknown'
        end as coverage,
        placed_scans.is_fresh,
        placed_scans.is_in_window
    from placed_scans
    inner join known_modules on placed_scans.group_id = known_modules.group_id
    left join modules
        on placed_scans.scan_key = modules.scan_key and known_modules.module = modules.module
)

select * from joined
