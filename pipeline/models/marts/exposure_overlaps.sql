-- What else differs between vans at the two levels of an exposure: another exposure, mileage, age.
-- grain: one row per attribute x level x rival x rival level
-- key: attribute, level, rival, rival_level
-- kind: view
-- column attribute: the exposure, such as parking
-- column level: the level asked about, in lower case
-- column rival: the other exposure, odometer_km or age_years
-- column rival_level: the other exposure's level; empty for odometer_km and age_years
-- column n_same: vans that stand at both levels, or at neither
-- column n_vans: vans for which both exposures are known, in cohorts that hold both levels of the first
-- column shift: vans at the level less the others, in km or years; null for an exposure
-- column shift_low: lower end of its 95 % interval
-- column shift_high: upper end of its 95 % interval
-- column p: p-value of that shift
with found as (
    select * from computed.exposure_overlaps
),

columns_kept as (
    select attribute, level, rival, rival_level, n_same, n_vans, shift, shift_low, shift_high, p
    from found
)

select * from columns_kept
