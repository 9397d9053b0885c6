-- Work done on vans, each entry once, the part's name folded for looking it up.
-- grain: one row per van x time x what x part x code
-- key: van, at, what, part_folded, code
-- kind: table
-- column part_folded: the part's name without case, accents and punctuation
with work as (
    select * from raw.work
),

van_names as (
    select * from stg_van_names
),

folded as (
    select
        coalesce(van_names.van, work.van) as van,
        work.at,
        coalesce(work.what, '') as what,
        work.odometer_km,
        work.part,
        coalesce(work.code, '') as code,
        work.relearn,
        work.days_standing,
        work.cost,
        work.note,
        work.batch_id,
        work.file_id,
        work.line,
        trim(regexp_replace(
            translate(
                replace(lower(coalesce(work.part, '')), 'ß', 'ss'),
                'àáâãäåçèéêëìíîïñòóôõöùúûüýÿ',
                'aaaaaaceeeeiiiinooooouuuuyy'
            ),
            '[^0-9a-z]+', ' ', 'g'
        )) as part_folded
    from work
    left join van_names on upper(translate(work.van, ' -.', '')) = van_names.name_folded
    where work.van is not null and work.at is not null
),

newest as (
    select
        folded.van,
        folded.at,
        folded.what,
        folded.odometer_km,
        folded.part,
        folded.code,
        folded.relearn,
        folded.days_standing,
        folded.cost,
        folded.note,
        folded.part_folded
    from folded
    qualify row_number() over (
        partition by folded.van, folded.at, folded.what, folded.part_folded, folded.code
        order by folded.batch_id desc, folded.file_id desc, folded.line desc
    ) = 1
)

select * from newest
