-- Files that were loaded and what became of their rows.
-- grain: one row per file x table
-- kind: view
-- column file_id: hash of the file's content
-- column file: the file's name
-- column layout: the layout it was read by
-- column table_name: the table its rows went to
-- column size_bytes: size of the file (bytes)
-- column loaded_at: when it was loaded (UTC)
-- column taken: rows stored
-- column duplicates: rows that were stored already
-- column rejected: rows refused, listed under rejects
-- column batch_id: number of the load
with files as (
    select * from raw.files
),

columns_kept as (
    select
        file_id,
        file,
        layout,
        table_name,
        size_bytes,
        loaded_at,
        taken,
        duplicates,
        rejected,
        batch_id
    from files
)

select * from columns_kept
