-- What stands out, best first. A difference is a reason to look, not a diagnosis.
-- grain: one row per finding
-- key: finding_id
-- kind: view
-- column finding_id: hash of the kind and what it is about, the same for as long as the matter lasts
-- column kind: what sort of matter it is
-- column rank: 1 for the best supported
-- column scan_id: the scan it is about, where it is about one
-- column attribute: the exposure it is about
-- column level: the exposure's value
-- column also: other cells of the same matter (JSON list of parameter, state, difference)
-- column against: what it is compared with
-- column value: the value found (in unit)
-- column expected: the value expected (in unit)
-- column difference: value less expected (in unit)
-- column interval_low: lower end of the difference's 95 % interval (in unit)
-- column interval_high: upper end of the difference's 95 % interval (in unit)
-- column score: test statistic
-- column p: p-value
-- column q: p-value adjusted for the number of comparisons
-- column robust: stands out even if healthy siblings vary wildly
-- column detectable: smallest difference that could have been shown (in unit)
-- column n_siblings: siblings it was compared with
-- column n_vans: vans behind it
-- column n_scans: scans behind it
-- column claim: one sentence a workshop lead understands
-- column rivals: other explanations that still stand (JSON list)
-- column next_check: the cheapest test that would decide
-- column cautions: safety lines (JSON list)
with found as (
    select * from computed.findings
),

columns_kept as (
    select
        finding_id, kind, tier, rank, van, scan_id, cohort_id, make, model, engine, model_year,
        reader, attribute, level, code, module, parameter, state, also, against,
        value, expected, difference, unit, interval_low, interval_high, score, p, q, robust, detectable,
        n_siblings, n_vans, n_scans, first_seen, last_seen, claim, rivals, next_check, cautions
    from found
)

select * from columns_kept
