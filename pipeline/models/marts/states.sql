-- The operating states in which readings are taken.
-- grain: one row per state
-- key: state
-- kind: view
-- column name: name for people
-- column state_order: place in which the rules are tried
-- column is_comparable: readings in this state are compared between vans
with states as (
    select * from vocab.states
),

columns_kept as (
    select state, name, state_order, is_comparable
    from states
)

select * from columns_kept
