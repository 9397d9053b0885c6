-- Which cautions go with which reading.
-- grain: one row per parameter x caution
-- key: parameter, caution_id
-- kind: view
with parameter_cautions as (
    select * from vocab.parameter_cautions
),

columns_kept as (
    select parameter, caution_id
    from parameter_cautions
)

select * from columns_kept
