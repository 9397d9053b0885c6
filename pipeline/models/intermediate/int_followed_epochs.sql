-- Where a van stood between two pieces of work on a part: the middle of its own values, for what moves away from it.
-- grain: one row per van x parameter x state x epoch
-- key: van_no, cell_no, epoch
-- kind: table
-- column van_no: number of the van
-- column cell_no: number of parameter and state
-- column epoch: pieces of work on that part before
-- column n_scans: scans of the van in that time
-- column level: median of their values compared (the parameter's unit)
-- column is_last: no work on that part came after
with followed as (
    select * from int_followed_scans
),

epochs as (
    select
        van_no,
        cell_no,
        epoch,
        count(*) as n_scans,
        median(value_compared) as level
    from followed
    where is_linked
    group by van_no, cell_no, epoch
),

placed as (
    select
        van_no,
        cell_no,
        epoch,
        n_scans,
        level,
        epoch = max(epoch) over (partition by van_no, cell_no) as is_last
    from epochs
)

select * from placed
