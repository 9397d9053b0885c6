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

newest as (
    select
        notes.van,
        notes.at,
        notes.text,
        notes.who
    from notes
    where notes.van is not null and notes.text is not null
    qualify row_number() over (
        partition by notes.van, notes.at, notes.text
        order by notes.batch_id desc, notes.file_id desc, notes.line desc
    ) = 1
)

select * from newest
