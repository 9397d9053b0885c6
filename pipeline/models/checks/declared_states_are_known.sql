-- A person declared an operating state that the vocabulary does not have; such readings are compared with nothing.
-- severity: warn
-- remedy: Use a state from the vocabulary.
with scan_values as (
    select * from int_scan_values
),

states as (
    select * from vocab.states
),

unknown as (
    select
        scan_values.state,
        count(distinct scan_values.scan_key) as n_scans
    from scan_values
    left join states on scan_values.state = states.state
    where states.state is null
    group by scan_values.state
)

select * from unknown
