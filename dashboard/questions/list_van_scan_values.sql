-- One row per scan of one van that has this reading.
with

scan_values as (
    select
        scan_key,
        scanned_at,
        reader,
        "value",
        n_rows
    from scan_levels
    where van = $van
        and parameter = $parameter
        and state = $state
        and "value" is not null
    order by scanned_at
)

select * from scan_values
