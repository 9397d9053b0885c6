-- The conditions of the operating-state rules, each rule a bit.
-- grain: one row per condition of a rule
-- kind: table
-- column rule_bit: two to the power of the rule's place; the first rule that holds wins
-- column missing_bit: the rule's bit where a missing signal makes it fail, else 0
with rules as (
    select * from vocab.state_rules
),

numbered as (
    select
        state,
        signal,
        operator,
        threshold,
        if_missing,
        cast(dense_rank() over (order by state_order, rule_id) as bigint) as rule_number
    from rules
),

with_bits as (
    select
        state,
        signal,
        operator,
        threshold,
        rule_number,
        cast(round(power(2, rule_number - 1)) as bigint) as rule_bit,
        case
            when if_missing = 'fail' then cast(round(power(2, rule_number - 1)) as bigint) else cast(0 as bigint)
        end as missing_bit
    from numbered
)

select * from with_bits
