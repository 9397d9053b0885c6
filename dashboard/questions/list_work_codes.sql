-- One row per code that stood on a van when a piece of work was done, with what became of it.
with

told as (
    select
        work_codes.*,
        code_titles.title
    from work_codes
    left join code_titles on work_codes.code = code_titles.code
    where work_codes.van = $van
        and work_codes.worked_at = $worked_at
        and work_codes.what = $what
    order by work_codes.work_code desc, work_codes.code, work_codes.module
)

select * from told
