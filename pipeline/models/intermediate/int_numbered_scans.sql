-- The scans that any window of the comparison reaches, in order of time.
-- Numbers tell rows of one build apart and nothing else: the next build may give others.
-- grain: one row per scan within the farthest window
-- key: scan_no
-- kind: table
-- column scan_no: number of the scan, rising with its time
-- column place: place among these scans in order of time, from 1 without gaps
-- column age_days: days from the scan to the end of the data
-- column van_no: number of the van
-- column season_no: number of family and month, as season is taken off by them
-- column reader_no: number of the reader, from 1, rising with its name
-- column reader_version: software of the reader at that scan; null where it was not said
-- column software_no: number of reader and software
with scans as (
    select * from stg_scans
),

scan_numbers as (
    select * from int_scan_numbers
),

vans as (
    select * from int_numbered_vans
),

fleet as (
    select * from int_fleet
),

settings as (
    select * from stg_settings
),

aged as (
    select
        scans.scan_key,
        scans.scan_month,
        scans.scanned_at,
        date_diff('day', cast(scans.scanned_at as date), cast(fleet.data_to as date)) as age_days,
        scans.van,
        scans.reader,
        scans.reader_version
    from scans
    cross join fleet
    where scans.scanned_at <= fleet.data_to
),

reached as (
    select aged.*
    from aged
    cross join settings
    where aged.age_days <= greatest(settings.level_days, settings.recent_days, settings.earlier_days)
),

numbered as (
    select
        scan_numbers.scan_no,
        cast(row_number() over (order by scan_numbers.scan_no) as integer) as place,
        reached.scan_key,
        reached.scan_month,
        reached.scanned_at,
        reached.age_days,
        vans.van_no,
        reached.van,
        cast(dense_rank() over (order by vans.family_no, reached.scan_month) as integer) as season_no,
        cast(dense_rank() over (order by reached.reader) as integer) as reader_no,
        reached.reader,
        cast(dense_rank() over (order by reached.reader, reached.reader_version) as integer) as software_no,
        reached.reader_version
    from reached
    inner join vans on reached.van = vans.van
    inner join scan_numbers on reached.scan_key = scan_numbers.scan_key
)

select * from numbered
