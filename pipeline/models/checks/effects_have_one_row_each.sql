-- Season and reader effects have one row each, so that taking them off a level does not double it.
-- severity: stop
-- remedy: This is a fault of the comparison; build again with --full, and report it if it stays.
with doubled_months as (
    select
        'month' as effect_of,
        parameter,
        state,
        concat(family_id, ' ', cast(month_effects.month as varchar)) as effect_key,
        count(*) as n_rows
    from computed.month_effects as month_effects
    group by parameter, state, family_id, month_effects.month
    having count(*) > 1
),

doubled_readers as (
    select
        'reader' as effect_of,
        parameter,
        state,
        reader as effect_key,
        count(*) as n_rows
    from computed.reader_effects
    group by parameter, state, reader
    having count(*) > 1
),

together as (
    select * from doubled_months
    union all
    select * from doubled_readers
)

select * from together
