-- One row per refused row, newest file first.
with

refused as (
    select
        file,
        line,
        column_name,
        "value",
        reason,
        remedy
    from rejects
    order by batch_id desc, file, line
)

select * from refused
