-- How far each exposure moves each reading, vans compared within their cohort. An association, not a cause.
-- grain: one row per attribute x level x parameter x state
-- key: attribute, level, parameter, state
-- kind: view
-- column attribute: what is told of the vans, such as parking
-- column level: the level asked about, in lower case
-- column level_name: the level asked about, as written
-- column other_level: the level it is compared with, in lower case
-- column other_level_name: the level it is compared with, as written
-- column is_tested: enough vans stand at both levels in one cohort
-- column effect: what is taken off vans at the level before they are compared (in unit); 0 where nothing is
-- column shift: vans at the level less vans at the other, other effects taken off (in unit)
-- column shift_low: lower end of its 95 % interval (in unit)
-- column shift_high: upper end of its 95 % interval (in unit)
-- column shift_alone: the same before other exposures' effects were taken off (in unit)
-- column score: standardised test statistic, positive where the level reads higher
-- column p: p-value beside the other exposures
-- column q: p-value after Benjamini-Hochberg over attributes, parameters and states
-- column p_alone: p-value before other exposures' effects were taken off
-- column n_vans: vans at the level, in cohorts that hold both
-- column n_vans_other: vans at the other level, in cohorts that hold both
-- column n_cohorts: cohorts that hold both levels
-- column n_pairs: vans seen at both levels
-- column n_scans: scans of the vans at either level
-- column pair_shift: shift of the vans seen at both (in unit)
-- column pair_low: lower end of its 95 % interval (in unit)
-- column pair_high: upper end of its 95 % interval (in unit)
-- column pair_p: p-value of the vans seen at both alone
-- column twin_attribute: another exposure that cannot be told from it in this reading
-- column twin_level: that exposure's level
with effects as (
    select * from computed.exposure_effects
),

columns_kept as (
    select
        attribute, level, level_name, other_level, other_level_name, parameter, state, unit, is_tested,
        effect, shift, shift_low, shift_high, shift_alone, score, p, q, p_alone,
        n_vans, n_vans_other, n_cohorts, n_pairs, n_scans, first_seen, last_seen,
        pair_shift, pair_low, pair_high, pair_p, twin_attribute, twin_level
    from effects
)

select * from columns_kept
