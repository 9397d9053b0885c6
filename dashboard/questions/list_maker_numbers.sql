-- One row per maker's number without a text that a shown van has shown: what it travels with, what ended it.
with

shown as (
    select unnest(cast($vans as varchar[])) as van
),

numbers as (
    select
        van_codes.module,
        van_codes.code,
        count(*) as n_vans,
        cast(sum(van_codes.n_present) as bigint) as n_scans
    from van_codes
    inner join shown on van_codes.van = shown.van
    where van_codes.structure = 'number'
    group by van_codes.module, van_codes.code
    having max(van_codes.title) is null
),

sides as (
    select module, code, other_module, other_code, n_with, n_both, overlap from code_pairs
    union all
    select
        other_module as module,
        other_code as code,
        module as other_module,
        code as other_code,
        n_with_other as n_with,
        n_both,
        overlap
    from code_pairs
),

fellows as (
    select *
    from sides
    qualify row_number() over (
        partition by module, code order by overlap desc, n_both desc, other_code, other_module
    ) = 1
),

endings as (
    select
        module,
        code,
        concat_ws(' ', what, part) as ended_after,
        count(distinct van) as n_vans_ended
    from code_endings
    group by module, code, what, part
    qualify row_number() over (
        partition by module, code order by count(distinct van) desc, what, part
    ) = 1
),

told as (
    select
        numbers.module,
        numbers.code,
        numbers.n_vans,
        numbers.n_scans,
        fellows.other_code as fellow,
        fellows.other_module as fellow_module,
        fellows.n_both,
        fellows.n_with,
        endings.ended_after,
        endings.n_vans_ended
    from numbers
    left join fellows on numbers.module = fellows.module and numbers.code = fellows.code
    left join endings on numbers.module = endings.module and numbers.code = endings.code
    order by numbers.n_vans desc, numbers.n_scans desc, numbers.code, numbers.module
)

select * from told
