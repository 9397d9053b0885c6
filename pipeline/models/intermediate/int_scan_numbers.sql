-- A whole number for every scan: its month and its place in it, so that a new scan gives others to its own month alone.
-- Numbers that lie close together join twice as fast as ones far apart, so a month has no more room than it needs.
-- Numbers tell rows of one build apart and nothing else: the next build may give others.
-- grain: one row per scan of the months that the windows reach
-- key: scan_key
-- kind: table
-- partition_by: scan_month
-- column scan_no: months since the first x room of a month, and the place in it; rising with the scan's time
with scans as (
    select * from stg_scans
),

reach as (
    select * from int_reach
),

numbered as (
    select
        scans.scan_month,
        scans.scan_key,
        cast(round(
            (
                12 * (year(scans.scan_month) - year(reach.from_month))
                + month(scans.scan_month) - month(reach.from_month)
            ) * reach.room
            + row_number() over (partition by scans.scan_month order by scans.scanned_at, scans.scan_key)
        ) as integer) as scan_no
    from scans
    cross join reach
    where scans.scan_month >= reach.from_month and scans.scan_month <= reach.to_month
)

select * from numbered
