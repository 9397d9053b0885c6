-- What each van was exposed to and when, cut where any of it changed: the spans that exposure levels are averaged over.
-- grain: one row per van x span x attribute
-- key: van, span_from, attribute
-- kind: view
-- column span_from: first day of the span; 0001-01-01 where it has no beginning
-- column span_to: first day after the span; 9999-12-31 where it has no end
-- column attribute: what is told of the van, such as parking
-- column level: what holds, in lower case
-- column level_name: what holds, as written
with spans as (
    select * from int_exposure_spans
),

columns_kept as (
    select
        van,
        span_from,
        span_to,
        attribute,
        level,
        level_name
    from spans
)

select * from columns_kept
