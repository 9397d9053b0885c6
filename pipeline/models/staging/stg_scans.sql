-- Each scan once, its fields merged from every file that told of it, newest first.
-- grain: one row per scan (reader x scan id)
-- key: scan_key
-- kind: table
-- partition_by: scan_month
-- narrow_by: scan_key
-- changed: select distinct cast(date_trunc('month', scanned_at) as date), concat(reader, '/', scan_id) from raw.scans
--     where scanned_at is not null
--     and scan_id in (select scan_id from raw.scans where batch_id > @last_batch)
--     union select distinct cast(date_trunc('month', scanned_at) as date), concat(reader, '/', scan_id)
--     from stg_scan_corrections
--     where scanned_at is not null
--     and scan_id in (select scan_id from raw.scans where batch_id > @last_batch)
-- column n_readers_of_id: readers that used this scan id; rows that name no reader join only where it is 1
-- column is_contradicted: files disagree on the van or the time, so that nothing of the scan is compared
-- column is_ahead_of_load: dated more than a day after its file was loaded, as by a wrong clock
with as_given as (
    select * from raw.scans
),

corrections as (
    select * from stg_scan_corrections
),

van_names as (
    select * from stg_van_names
),

-- What a person corrected holds for every file that tells of the scan.
rows_given as (
    select
        as_given.batch_id,
        as_given.file_id,
        as_given.line,
        concat(as_given.reader, '/', as_given.scan_id) as scan_key,
        as_given.scan_id,
        coalesce(corrections.van, van_names.van, as_given.van) as van,
        as_given.reader,
        as_given.reader_version,
        coalesce(corrections.scanned_at, as_given.scanned_at) as scanned_at,
        case when corrections.scanned_at is null then as_given.ended_at end as ended_at,
        coalesce(corrections.odometer_km, as_given.odometer_km) as odometer_km,
        as_given.ambient_c,
        as_given.rest_v,
        as_given.standing_days,
        as_given.coverage_known,
        as_given.operator,
        as_given.note
    from as_given
    left join corrections
        on as_given.reader = corrections.reader and as_given.scan_id = corrections.scan_id
    left join van_names on upper(translate(as_given.van, ' -.', '')) = van_names.name_folded
),

files as (
    select
        file_id,
        max(loaded_at) as loaded_at
    from raw.files
    group by file_id
),

usable as (
    select * from rows_given
    where scan_id is not null and van is not null and reader is not null and scanned_at is not null
),

versions as (
    select
        usable.*,
        files.loaded_at,
        row_number() over (
            partition by usable.scan_key, usable.reader, usable.scan_id
            order by usable.batch_id, usable.file_id, usable.line
        ) as version
    from usable
    left join files on usable.file_id = files.file_id
),

-- A number on which files disagree is left out: which one holds is for a person to settle.
merged as (
    select
        scan_key,
        reader,
        scan_id,
        arg_max(van, version) as van,
        arg_max(reader_version, version) filter (where reader_version is not null) as reader_version,
        arg_max(scanned_at, version) as scanned_at,
        arg_max(ended_at, version) filter (where ended_at is not null) as ended_at,
        case when min(odometer_km) = max(odometer_km) then max(odometer_km) end as odometer_km,
        case when min(ambient_c) = max(ambient_c) then max(ambient_c) end as ambient_c,
        case when min(rest_v) = max(rest_v) then max(rest_v) end as rest_v,
        case when min(standing_days) = max(standing_days) then max(standing_days) end as standing_days,
        coalesce(max(case when coverage_known then 1 end), 0) = 1 as coverage_known,
        arg_max(operator, version) filter (where operator is not null) as operator,
        arg_max(note, version) filter (where note is not null) as note,
        min(van) <> max(van) or min(scanned_at) <> max(scanned_at) as is_contradicted,
        coalesce(max(scanned_at) > max(loaded_at) + interval '1' day, false) as is_ahead_of_load
    from versions
    group by scan_key, reader, scan_id
),

readers_of_ids as (
    select
        scan_id,
        count(distinct reader) as n_readers
    from usable
    group by scan_id
),

identified as (
    select
        merged.scan_key,
        merged.scan_id,
        merged.van,
        merged.reader,
        merged.reader_version,
        merged.scanned_at,
        merged.ended_at,
        merged.odometer_km,
        merged.ambient_c,
        merged.rest_v,
        merged.standing_days,
        merged.coverage_known,
        merged.operator,
        merged.note,
        readers_of_ids.n_readers as n_readers_of_id,
        merged.is_contradicted,
        merged.is_ahead_of_load,
        cast(date_trunc('month', merged.scanned_at) as date) as scan_month
    from merged
    inner join readers_of_ids on merged.scan_id = readers_of_ids.scan_id
)

select * from identified
