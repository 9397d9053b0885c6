-- Rows that could not be taken, each with its reason and what to do.
-- grain: one row per refused row and reason
-- kind: view
-- column file_id: hash of the file's content
-- column file: the file's name
-- column table_name: the table it was meant for
-- column line: line of the file, the first being 1
-- column column_name: the column at fault
-- column value: what stood there
-- column reason: why it was refused
-- column remedy: what to do about it
-- column batch_id: number of the load
with rejects as (
    select * from raw.rejects
),

columns_kept as (
    select
        file_id,
        file,
        table_name,
        line,
        column_name,
        value,
        reason,
        remedy,
        batch_id
    from rejects
)

select * from columns_kept
