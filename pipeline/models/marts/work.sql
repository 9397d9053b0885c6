-- Work done on vans, as entered.
-- grain: one row per van x time x what x part x code
-- kind: view
-- column at: when (UTC)
-- column what: replaced, repaired, adjusted, cleared, relearned, charged ...
-- column odometer_km: odometer at the work (km)
-- column part: the part worked on
-- column code: the code it was done for
-- column relearn: done, not_needed or unknown
-- column days_standing: days the van stood for it
-- column cost: what it cost (the fleet's own currency)
-- column note: in the person's words
with work as (
    select * from stg_work
),

columns_kept as (
    select
        work.van,
        work.at,
        nullif(work.what, '') as what,
        work.odometer_km,
        work.part,
        nullif(work.code, '') as code,
        work.relearn,
        work.days_standing,
        work.cost,
        work.note
    from work
)

select * from columns_kept
