-- One row per kind of work, part and code that stood at the time: on how many vans it was tried and the code stayed away.
with

told as (
    select
        repair_codes.*,
        code_titles.title
    from repair_codes
    left join code_titles on repair_codes.code = code_titles.code
    where exists (
        select 1 from work_codes
        where work_codes.what = repair_codes.what
            and work_codes.part = repair_codes.part
            and work_codes.module = repair_codes.module
            and work_codes.code = repair_codes.code
            and list_contains($vans, work_codes.van)
    )
    order by share_low desc nulls last, n_judged desc, n_vans desc, code, what, part
)

select * from told
