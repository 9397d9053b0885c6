-- The scan values that can speak for a van, with what season, reader and the reader's updates add taken off, as far as
-- it could be estimated, and with the work that came before.
-- grain: one row per scan x parameter x state
-- key: scan_no, cell_no
-- kind: table
-- column scan_no: number of the scan
-- column van_no: number of the van
-- column reader_no: number of the reader
-- column cell_no: number of parameter and state
-- column value: the scan's value (the parameter's unit)
-- column value_adjusted: value less update shift, month effect and reader effect (the parameter's unit)
-- column is_linked: read by a reader that can be compared with those of most siblings
-- column epoch: pieces of work on that part before the scan
with numbered_values as (
    select * from int_numbered_values
),

scans as (
    select * from int_numbered_scans
),

vans as (
    select * from int_numbered_vans
),

cells as (
    select * from int_cells
),

reader_links as (
    select * from int_reader_links
),

month_effects as (
    select * from computed.month_effects
),

reader_updates as (
    select * from computed.reader_updates
),

part_work as (
    select * from int_part_work
),

seasons as (
    select distinct
        scans.season_no,
        vans.family_id,
        scans.scan_month
    from scans
    inner join vans on scans.van_no = vans.van_no
),

season_effects as (
    select
        seasons.season_no,
        cells.cell_no,
        month_effects.effect
    from month_effects
    inner join seasons
        on month_effects.family_id = seasons.family_id and month_effects.month = seasons.scan_month
    inner join cells on month_effects.parameter = cells.parameter and month_effects.state = cells.state
),

software as (
    select distinct
        software_no,
        reader,
        reader_version
    from scans
),

update_shifts as (
    select
        software.software_no,
        cells.cell_no,
        reader_updates.shift
    from reader_updates
    inner join software
        on reader_updates.reader = software.reader and reader_updates.reader_version = software.reader_version
    inner join cells on reader_updates.parameter = cells.parameter and reader_updates.state = cells.state
    where reader_updates.shift <> 0
),

-- From one piece of work to the next; of several at one time the last counts.
epochs as (
    select
        vans.van_no,
        cells.cell_no,
        part_work.work_number as epoch,
        part_work.at as from_at,
        lead(part_work.at) over (
            partition by vans.van_no, cells.cell_no order by part_work.work_number
        ) as until_at
    from part_work
    inner join vans on part_work.van = vans.van
    inner join cells on part_work.parameter = cells.parameter
),

compared as (
    select
        numbered_values.scan_no,
        scans.van_no,
        scans.reader_no,
        numbered_values.cell_no,
        numbered_values.value,
        numbered_values.value - coalesce(update_shifts.shift, 0) - coalesce(season_effects.effect, 0)
        - coalesce(reader_links.effect, 0) as value_adjusted,
        reader_links.is_linked,
        coalesce(epochs.epoch, 0) as epoch
    from numbered_values
    inner join scans on numbered_values.scan_no = scans.scan_no
    inner join reader_links
        on scans.van_no = reader_links.van_no
        and scans.reader_no = reader_links.reader_no
        and numbered_values.cell_no = reader_links.cell_no
    left join season_effects
        on scans.season_no = season_effects.season_no and numbered_values.cell_no = season_effects.cell_no
    left join update_shifts
        on scans.software_no = update_shifts.software_no and numbered_values.cell_no = update_shifts.cell_no
    left join epochs
        on scans.van_no = epochs.van_no
        and numbered_values.cell_no = epochs.cell_no
        and scans.scanned_at >= epochs.from_at
        and (scans.scanned_at < epochs.until_at or epochs.until_at is null)
)

select * from compared
