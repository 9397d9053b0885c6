-- What a van read in a month, as it can be followed: scans of one month share what the siblings did in it.
-- grain: one row per van x parameter x state x epoch x month
-- key: van_no, cell_no, epoch, scan_month
-- kind: view
-- column van_no: number of the van
-- column cell_no: number of parameter and state
-- column epoch: pieces of work on that part before
-- column n_scans: scans of the van in that month and epoch
-- column value_compared: mean of their values, season, reader, updates and exposures taken off (the parameter's unit)
-- column age_days: mean of their days to the end of the data
-- column first_no: number of the first of them
-- column last_no: number of the last of them
with followed as (
    select * from int_followed_scans
),

scans as (
    select * from int_numbered_scans
),

months as (
    select
        followed.van_no,
        followed.cell_no,
        followed.epoch,
        scans.scan_month,
        count(*) as n_scans,
        avg(followed.value_compared) as value_compared,
        avg(scans.age_days) as age_days,
        min(followed.scan_no) as first_no,
        max(followed.scan_no) as last_no
    from followed
    inner join scans on followed.scan_no = scans.scan_no
    where followed.is_linked
    group by followed.van_no, followed.cell_no, followed.epoch, scans.scan_month
)

select * from months
