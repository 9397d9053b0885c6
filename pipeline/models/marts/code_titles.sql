-- Titles of common fault codes.
-- grain: one row per code
-- key: code
-- kind: view
-- column title: what the code is about
with code_titles as (
    select * from vocab.code_titles
),

columns_kept as (
    select code, title
    from code_titles
)

select * from columns_kept
