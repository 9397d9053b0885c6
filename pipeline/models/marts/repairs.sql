-- Did the work hold: each piece of work on a part that readings are mapped to, reading by reading.
-- grain: one row per piece of work x parameter x state
-- key: van, worked_at, what, part, parameter, state
-- kind: view
-- column worked_at: time of the work (UTC)
-- column what: what was done
-- column part: the part it was done on
-- column work_code: the code the work was done for; null where none is named
-- column relearn: done, not_needed or unknown; null where nothing is said
-- column note: in the person's words
-- column is_fallback: siblings were sought without the model year, too few being left with it
-- column n_before: scans of the van before the work that count
-- column n_after: scans of the van after the work that count
-- column n_late: newest of those, which say whether it is still right
-- column n_needed: least scans before, and after
-- column n_over_work: scans before that lie before earlier work on the part
-- column n_same_day: other pieces of work on the part the same day
-- column next_work: day of the next work on the part, which ends the scans after
-- column before_value: the van's mean before (in unit)
-- column after_value: the van's mean after (in unit)
-- column sibling_before: the siblings' mean over the same dates before (in unit)
-- column sibling_after: the siblings' mean over the same dates after (in unit)
-- column before_difference: the van less its siblings before (in unit)
-- column before_p: two-sided p-value of that
-- column after_difference: the van less its siblings after (in unit)
-- column after_p: two-sided p-value of that
-- column after_low: lower end of where a healthy sibling would fall after, 95 % (in unit)
-- column after_high: upper end of where a healthy sibling would fall after, 95 % (in unit)
-- column late_difference: the van less its siblings in the newest scans after (in unit)
-- column late_p: two-sided p-value of that
-- column effect: how far the van moved with the work less how far its siblings did (in unit)
-- column effect_low: lower end of its 95 % interval (in unit)
-- column effect_high: upper end of its 95 % interval (in unit)
-- column effect_t: t statistic of the effect
-- column effect_df: its degrees of freedom
-- column effect_p: two-sided p-value of the effect
-- column effect_q: p-value after Benjamini-Hochberg over all pieces of work and readings judged
-- column after_q: the same for the difference after
-- column expected_return: how far it would have moved back by itself, regression to the mean (in unit)
-- column beyond_p: two-sided p-value of the effect beyond that
-- column n_siblings: siblings with scans on both sides of the work
-- column n_left_out: siblings left out because they had work on the part themselves
-- column own_from: day of the first scan before that counts
-- column work_day: day of the work
-- column own_to: day of the last scan after that counts
-- column verdict: held, not_held, no_effect, too_early or not_judged
-- column reason: why, in a short key
-- column claim: what is said of it, with its counts
-- column rivals: what else it could be, as a JSON list
-- column next_check: what to do next
-- column strength_rank: 1 for the reading that says most of this piece of work: what did not hold speaks first, then what
--     held, then what shows nothing
with judged as (
    select * from computed.repairs
),

work as (
    select * from stg_work
),

facts as (
    select
        work.van,
        work.at as worked_at,
        work.what,
        work.part,
        max(nullif(work.code, '')) as work_code,
        max(work.relearn) as relearn,
        max(work.note) as note
    from work
    group by work.van, work.at, work.what, work.part
),

joined as (
    select
        judged.van, judged.worked_at, judged.what, judged.part, judged.parameter, judged.state, judged.unit,
        facts.work_code, facts.relearn, facts.note, judged.cohort_id, judged.is_fallback,
        judged.n_before, judged.n_after, judged.n_late, judged.n_needed, judged.n_over_work, judged.n_same_day,
        judged.next_work, judged.before_value, judged.after_value, judged.sibling_before, judged.sibling_after,
        judged.before_difference, judged.before_p, judged.after_difference, judged.after_p, judged.after_low,
        judged.after_high, judged.late_difference, judged.late_p, judged.effect, judged.effect_low,
        judged.effect_high, judged.effect_t, judged.effect_df, judged.effect_p, judged.effect_q, judged.after_q,
        judged.expected_return, judged.beyond_p, judged.n_siblings, judged.n_left_out, judged.own_from,
        judged.work_day, judged.own_to, judged.verdict, judged.reason, judged.claim, judged.rivals,
        judged.next_check,
        row_number() over (
            partition by judged.van, judged.worked_at, judged.what, coalesce(judged.part, '')
            order by
                case judged.verdict
                    when 'not_held' then 1
                    when 'held' then 2
                    when 'no_effect' then 3
                    when 'too_early' then 4
                    else 5
                end,
                case when judged.verdict = 'not_held' then judged.after_q else judged.effect_q end nulls last,
                judged.before_p nulls last,
                judged.n_after desc,
                judged.parameter,
                judged.state
        ) as strength_rank
    from judged
    left join facts
        on judged.van = facts.van
        and judged.worked_at = facts.worked_at
        and judged.what = facts.what
        and coalesce(judged.part, '') = coalesce(facts.part, '')
)

select * from joined
