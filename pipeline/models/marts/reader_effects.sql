-- How far each reader reads from the reader it is held against, on vans that both have read. Van and season taken out.
-- grain: one row per parameter x state x reader
-- key: parameter, state, reader
-- kind: view
-- column reference: the reader it is held against; itself where it is the one with most vans
-- column is_linked: enough vans were read by it and by the readers of most vans; where not, what it reads is compared
--     only with what it or readers tied to it have read
-- column effect: what is taken off its readings before vans are compared (in unit); 0 where nothing is
-- column estimate: how much it shows more than the reference (in unit); null where too few vans were read by both
-- column low: lower end of the estimate's 95 % interval (in unit)
-- column high: upper end of the estimate's 95 % interval (in unit)
-- column n_vans: vans also read by another of these readers
-- column p: p-value of no difference, the van as the unit
-- column q: p-value after Benjamini-Hochberg over parameters, states and readers
with effects as (
    select * from computed.reader_effects
),

known as (
    select * from vocab.parameters
),

columns_kept as (
    select
        effects.parameter,
        effects.state,
        effects.reader,
        effects.reference,
        effects.component = 'linked' as is_linked,
        known.unit,
        effects.effect,
        effects.estimate,
        effects.low,
        effects.high,
        effects.n_vans,
        effects.p,
        effects.q
    from effects
    left join known on effects.parameter = known.parameter
)

select * from columns_kept
