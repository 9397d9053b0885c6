-- The same van read by two readers within a day: what each showed of one parameter in one operating state.
-- Each scan stands in one pair with each other reader, the nearest in time.
-- grain: one row per pair of scans x parameter x state
-- key: scan_key, other_scan_key, parameter, state
-- kind: table
-- column reader: the reader that comes first in the alphabet
-- column other_reader: the reader it is compared with
-- column scan_key: the scan of the reader
-- column other_scan_key: the scan of the other reader
-- column other_scanned_at: time of the other reader's scan (UTC)
-- column value: what the reader showed (the parameter's unit)
-- column other_value: what the other reader showed (the parameter's unit)
-- column difference: value less other_value (the parameter's unit)
-- column average: mean of the two (the parameter's unit)
with scans as (
    select * from stg_scans
),

scored_parameters as (
    select parameter
    from vocab.parameters
    where role = 'health'
),

scored_states as (
    select state
    from vocab.states
    where is_comparable
),

vans_of_several_readers as (
    select van
    from scans
    where not is_contradicted
    group by van
    having min(reader) <> max(reader)
),

usable as (
    select
        scans.van,
        scans.reader,
        scans.scan_key,
        scans.scan_month,
        scans.scanned_at,
        cast(scans.scanned_at as date) as scan_day
    from scans
    inner join vans_of_several_readers as several on scans.van = several.van
    where not scans.is_contradicted
),

-- Scans within a day of each other lie on the same day or on neighbouring ones.
reaches as (
    select
        usable.*,
        usable.scan_day + steps.step as other_day
    from usable
    cross join (
        select -1 as step
        union all
        select 0 as step
        union all
        select 1 as step
    ) as steps
),

near as (
    select
        reaches.van,
        reaches.reader,
        usable.reader as other_reader,
        reaches.scan_key,
        usable.scan_key as other_scan_key,
        reaches.scan_month,
        usable.scan_month as other_scan_month,
        reaches.scanned_at,
        usable.scanned_at as other_scanned_at,
        greatest(reaches.scanned_at, usable.scanned_at) - least(reaches.scanned_at, usable.scanned_at) as apart
    from reaches
    inner join usable
        on reaches.van = usable.van
        and reaches.other_day = usable.scan_day
        and reaches.reader < usable.reader
        and usable.scanned_at >= reaches.scanned_at - interval '1' day
        and usable.scanned_at <= reaches.scanned_at + interval '1' day
),

ranked as (
    select
        near.*,
        row_number() over (partition by scan_key, other_reader order by apart, other_scan_key) as place,
        row_number() over (partition by other_scan_key, reader order by apart, scan_key) as other_place
    from near
),

pairs as (
    select * from ranked
    where place = 1 and other_place = 1
),

-- The values are read by name twice: as a step of its own, all of them would be written down first.
compared as (
    select
        pairs.van,
        pairs.reader,
        pairs.other_reader,
        values_one.parameter,
        values_one.state,
        pairs.scan_key,
        pairs.other_scan_key,
        pairs.scanned_at,
        pairs.other_scanned_at,
        values_one.value,
        values_other.value as other_value,
        values_one.value - values_other.value as difference,
        (values_one.value + values_other.value) / 2 as average
    from pairs
    inner join int_scan_values as values_one
        on pairs.scan_month = values_one.scan_month and pairs.scan_key = values_one.scan_key
    inner join int_scan_values as values_other
        on pairs.other_scan_month = values_other.scan_month
        and pairs.other_scan_key = values_other.scan_key
        and values_one.parameter = values_other.parameter
        and values_one.state = values_other.state
    inner join scored_parameters on values_one.parameter = scored_parameters.parameter
    inner join scored_states on values_one.state = scored_states.state
)

select * from compared
