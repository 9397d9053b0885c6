-- The readings the vocabulary knows, with their names and units.
-- grain: one row per parameter
-- key: parameter
-- kind: view
-- column name: name for people
-- column role: health (compared), context or counter
-- column resolution: smallest step of the reading (its unit)
-- column smallest_useful: smallest difference worth a look (its unit)
-- column plausible_low: below this a value is not believed (its unit)
-- column plausible_high: above this a value is not believed (its unit)
-- column comparable_across_models: may be compared between cohorts of different models
-- column meaning_high: what a high value can mean
-- column meaning_low: what a low value can mean
-- column source: where the facts come from
with parameters as (
    select * from vocab.parameters
),

columns_kept as (
    select
        parameter, name, unit, role, resolution, smallest_useful, plausible_low, plausible_high,
        comparable_across_models, meaning_high, meaning_low, source
    from parameters
)

select * from columns_kept
