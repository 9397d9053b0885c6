-- Readings wait for their scan: no row of a scans table tells of it yet.
-- severity: warn
-- remedy: Load the scans table that goes with that file.
with scans as (
    select * from stg_scans
),

found as (
    select
        file_id,
        sum(n_rows) as n_rows
    from int_found_rows
    group by file_id
),

-- Every reading row belongs to one scan at most: with as many found as given, none waits, and no row is looked at.
given_in_all as (
    select count(*) as n_rows
    from raw.readings
),

found_in_all as (
    select coalesce(sum(n_rows), 0) as n_rows
    from found
),

in_doubt as (
    select given_in_all.n_rows
    from given_in_all
    inner join found_in_all on given_in_all.n_rows <> found_in_all.n_rows
),

-- Raw readings are read twice in one query, each time as few columns as will do.
given as (
    select
        readings.file_id,
        count(*) as n_rows
    from raw.readings as readings
    cross join in_doubt
    group by readings.file_id
),

unsettled as (
    select given.file_id
    from given
    left join found on given.file_id = found.file_id
    where coalesce(found.n_rows, 0) <> given.n_rows
),

looked_at as (
    select
        scan_id,
        reader,
        file_id,
        count(*) as n_rows
    from raw.readings
    where file_id in (select file_id from unsettled)
    group by scan_id, reader, file_id
),

waiting as (
    select
        looked_at.scan_id,
        looked_at.reader,
        min(looked_at.file_id) as file_id,
        sum(looked_at.n_rows) as n_rows
    from looked_at
    left join scans
        on looked_at.scan_id = scans.scan_id
        and (looked_at.reader = scans.reader or (looked_at.reader is null and scans.n_readers_of_id = 1))
    where scans.scan_key is null
    group by looked_at.scan_id, looked_at.reader
)

select * from waiting
