-- Whether a code is more frequent on vans that are exposed to something, or of one model year, than on their siblings.
-- An association, not a cause: vans were not parked, fitted or assigned at random.
-- grain: one row per attribute x level x module x code
-- key: attribute, level, module, code
-- kind: view
-- column attribute: what is told of vans; model_year holds one year against the others of the same model and engine
-- column level: the value that makes a van exposed, in lower case
-- column level_name: the value as written
-- column is_tested: enough vans to tell, and of two levels of one attribute the one with more of the code
-- column odds_ratio: common odds ratio over cohorts; null where it has no end
-- column odds_low: lower end of its 95 % interval
-- column odds_high: upper end of its 95 % interval; null where it has no end
-- column p: p-value, two-sided, beside no other exposure
-- column q: p-value after Benjamini-Hochberg over all codes and exposures tested
-- column method: mantel_haenszel, or exact where the tables are sparse
-- column n_vans: vans in cohorts with both sides and both outcomes
-- column n_strata: such cohorts
-- column n_exposed_with: exposed vans that have the code, over all cohorts with both sides
-- column n_exposed_without: exposed vans that do not
-- column n_other_with: other vans that have it
-- column n_other_without: other vans that do not
-- column rival_attribute: a stronger exposure of the same code, among whose equals this one was asked about again
-- column rival_level: that exposure's level, as written
-- column p_beside_rival: p-value among vans alike in it
with associations as (
    select * from computed.code_associations
),

columns_kept as (
    select
        attribute,
        level,
        level_name,
        module,
        code,
        is_tested,
        odds_ratio,
        odds_low,
        odds_high,
        p,
        q,
        method,
        n_vans,
        n_strata,
        n_exposed_with,
        n_exposed_without,
        n_other_with,
        n_other_without,
        rival_attribute,
        rival_level,
        p_beside_rival,
        tier
    from associations
)

select * from columns_kept
