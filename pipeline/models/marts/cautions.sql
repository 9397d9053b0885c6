-- Safety lines; the maker's procedure always comes first.
-- grain: one row per caution
-- key: caution_id
-- kind: view
-- column text: the caution
-- column source: where it comes from
with cautions as (
    select * from vocab.cautions
),

columns_kept as (
    select caution_id, text, source
    from cautions
)

select * from columns_kept
