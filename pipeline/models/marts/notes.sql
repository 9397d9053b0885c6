-- What drivers and others noticed, in their words.
-- grain: one row per van x time x text
-- key: van, at, text
-- kind: view
-- column at: when (UTC)
-- column text: what was noticed
-- column who: who noticed it
with notes as (
    select * from raw.notes
),

van_names as (
    select * from stg_van_names
),

named as (
    select
        coalesce(van_names.van, notes.van) as van,
        notes.at,
        notes.text,
        notes.who,
        notes.batch_id,
        notes.file_id,
        notes.line
    from notes
    left join van_names on upper(translate(notes.van, ' -.', '')) = van_names.name_folded
),

newest as (
    select
        notes.van,
        notes.at,
        notes.text,
        notes.who
    from named as notes
    where notes.van is not null and notes.text is not null
    qualify row_number() over (
        partition by notes.van, notes.at, notes.text
        order by notes.batch_id desc, notes.file_id desc, notes.line desc
    ) = 1
)

select * from newest
