-- Work after which a parameter of a van starts afresh, numbered in order of time.
-- grain: one row per van x parameter x piece of work
-- key: van, parameter, work_number
-- kind: table
-- column work_number: 1 for the first such work on the van
-- column what: what was done
-- column part: the part it was done on
-- column description: what was done and when, in words
with work as (
    select * from stg_work
),

parts as (
    select * from vocab.parts
),

-- A part is named word by word inside the entry: "air mass sensor, front" is an air mass sensor.
touched as (
    select distinct
        work.van,
        parts.parameter,
        work.at,
        work.what,
        work.part
    from work
    inner join parts
        on strpos(concat(' ', work.part_folded, ' '), concat(' ', parts.part_folded, ' ')) > 0
    where parts.parameter is not null
        and work.what in ('replaced', 'repaired', 'adjusted', 'cleaned', 'relearned')
),

numbered as (
    select
        touched.van,
        touched.parameter,
        touched.at,
        touched.what,
        touched.part,
        cast(row_number() over (
            partition by touched.van, touched.parameter order by touched.at, touched.what, touched.part
        ) as bigint) as work_number,
        concat(touched.what, ' ', touched.part, ' on ', cast(cast(touched.at as date) as varchar)) as description
    from touched
)

select * from numbered
