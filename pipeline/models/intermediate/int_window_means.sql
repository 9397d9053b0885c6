-- What each reader says of a van in each window: the means that a van's level, recent and earlier past are put
-- together from. Windows and what restarts them are described with int_window_bounds.
-- grain: one row per van x parameter x state x window x reader
-- key: van_no, cell_no, window_name, reader_no
-- kind: table
-- column van_no: number of the van
-- column cell_no: number of parameter and state
-- column window_name: level, recent or earlier
-- column reader_no: number of the reader
-- column is_linked: the reader can be compared with those of most siblings
-- column component: readers with one component can be told apart through vans they share; null = no estimate
-- column reaches_days: how far back the window reaches from the end of the data (days)
-- column m: scans
-- column y: mean of the scan values, season, reader and exposures taken off (the parameter's unit)
-- column s2: sample variance of the same (the parameter's unit squared); null below two scans
-- column y_raw: mean of the scan values as read (the parameter's unit)
-- column first_no: number of the first scan
-- column last_no: number of the last scan
-- column epoch: fewest pieces of work on the part before one of the scans
with followed as (
    select * from int_followed_scans
),

bounds as (
    select * from int_window_bounds
),

reader_links as (
    select * from int_reader_links
),

summed as (
    select
        followed.van_no,
        followed.cell_no,
        bounds.window_name,
        followed.reader_no,
        max(bounds.reaches_days) as reaches_days,
        count(*) as m,
        avg(followed.value_compared) as y,
        var_samp(followed.value_compared) as s2,
        avg(followed.value) as y_raw,
        min(followed.scan_no) as first_no,
        max(followed.scan_no) as last_no,
        min(followed.epoch) as epoch
    from followed
    inner join bounds
        on followed.van_no = bounds.van_no
        and followed.cell_no = bounds.cell_no
        and followed.scan_no >= bounds.from_no
        and followed.scan_no <= bounds.to_no
    where followed.is_linked or bounds.window_name = 'level'
    group by followed.van_no, followed.cell_no, bounds.window_name, followed.reader_no
),

joined as (
    select
        summed.van_no,
        summed.cell_no,
        summed.window_name,
        summed.reader_no,
        reader_links.is_linked,
        reader_links.component,
        summed.reaches_days,
        summed.m,
        summed.y,
        summed.s2,
        summed.y_raw,
        summed.first_no,
        summed.last_no,
        summed.epoch
    from summed
    inner join reader_links
        on summed.van_no = reader_links.van_no
        and summed.reader_no = reader_links.reader_no
        and summed.cell_no = reader_links.cell_no
)

select * from joined
