-- For each state a person can declare, the rules that would have to be ruled out to contradict it.
-- grain: one row per state that has rules
-- key: state
-- kind: view
-- column rule_bits: the bits of all rules of the state
with conditions as (
    select * from int_state_conditions
),

states as (
    select
        state,
        bit_or(rule_bit) as rule_bits
    from conditions
    group by state
)

select * from states
