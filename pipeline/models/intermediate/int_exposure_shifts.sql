-- What is taken off a van's scans for its exposures, as far as they were found to move the reading.
-- grain: one row per van x span x parameter x state that is shifted
-- key: van, span_from, parameter, state
-- kind: view
-- column span_from: first day of the span
-- column span_to: first day after the span
-- column shift: sum of the effects of the levels that hold (the parameter's unit)
with effects as (
    select * from computed.exposure_effects
),

spans as (
    select * from int_exposure_spans
),

shifts as (
    select
        spans.van,
        spans.span_from,
        spans.span_to,
        effects.parameter,
        effects.state,
        sum(effects.effect) as shift
    from effects
    inner join spans on effects.attribute = spans.attribute and effects.level = spans.level
    where effects.effect <> 0
    group by spans.van, spans.span_from, spans.span_to, effects.parameter, effects.state
)

select * from shifts
