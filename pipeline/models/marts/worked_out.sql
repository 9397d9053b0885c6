-- Readings that are worked out from others: by which formula, from what, and when there is none.
-- grain: one row per parameter
-- key: parameter
-- kind: view
-- column formula: how it is worked out
-- column inputs: readings it is worked out from
-- column silent: when there is none
with formulas as (
    select * from vocab.worked_out
),

columns_kept as (
    select
        parameter,
        formula,
        inputs,
        silent
    from formulas
)

select * from columns_kept
