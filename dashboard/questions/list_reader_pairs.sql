-- One row per pair of scans of one shown van by two readers within a day: what each showed of one reading.
with

sided as (
    select
        van,
        scanned_at,
        case when reader = $reader then value else other_value end as value,
        case when reader = $reader then other_value else value end as other_value,
        case when reader = $reader then difference else -difference end as difference,
        average
    from reader_pairs
    where (
        (reader = $reader and other_reader = $other_reader)
        or (reader = $other_reader and other_reader = $reader)
    )
        and parameter = $parameter
        and state = $state
        and van in (select unnest(cast($vans as varchar[])))
    order by van, scanned_at
)

select * from sided
