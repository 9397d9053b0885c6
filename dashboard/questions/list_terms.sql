-- One row per reading this fleet has, in the words of the vocabulary.
with

seen as (
    select distinct parameter from sibling_scores
),

terms as (
    select
        parameters.name,
        parameters.unit,
        parameters.smallest_useful,
        parameters.meaning_high,
        parameters.meaning_low,
        parameters.source
    from parameters
    inner join seen on parameters.parameter = seen.parameter
    order by parameters.name
)

select * from terms
