-- What people decided about matters, on which evidence, and how each decision stands beside this build.
-- grain: one row per decision
-- key: finding_id, number
-- kind: view
-- column finding_id: the matter, as in table findings
-- column number: 1 for the first decision about the matter, and so on
-- column claim: the sentence decided about
-- column choice: known_normal, watch_until, to_the_bay, done, not_a_fault or open
-- column decision: the same in words
-- column decided_at: when it was decided (UTC)
-- column until: the day a watch ends
-- column who: who decided
-- column why: in the person's words
-- column build_id: the build the person looked at
-- column standing: in_force, back (the evidence or the day has gone past it), replaced by a later one, opened (put
--     back on the list) or not_found (this build no longer finds the matter)
-- column why_back: why the matter is back on the list
-- column unit: unit of the differences
-- column tier_then: how sure the matter was when it was decided
-- column n_scans_then: scans behind it then
-- column difference_then: difference then (in unit)
-- column interval_low_then: lower end of its 95 % interval then (in unit)
-- column interval_high_then: upper end of its 95 % interval then (in unit)
-- column last_seen_then: newest scan behind it then (UTC)
-- column tier_now: how sure the matter is in this build; null where it is not found
-- column n_scans_now: scans behind it now
-- column difference_now: difference now (in unit)
-- column interval_low_now: lower end of its 95 % interval now (in unit)
-- column interval_high_now: upper end of its 95 % interval now (in unit)
-- column last_seen_now: newest scan behind it now (UTC)
with decided as (
    select * from computed.decisions
),

ordered as (
    select
        finding_id,
        number,
        van,
        claim,
        choice,
        decision,
        decided_at,
        until,
        who,
        why,
        build_id,
        standing,
        why_back,
        unit,
        tier_then,
        n_scans_then,
        difference_then,
        interval_low_then,
        interval_high_then,
        last_seen_then,
        tier_now,
        n_scans_now,
        difference_now,
        interval_low_now,
        interval_high_now,
        last_seen_now
    from decided
)

select * from ordered
