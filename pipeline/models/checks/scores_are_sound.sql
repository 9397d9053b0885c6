-- Scores carry probabilities between 0 and 1, known words, and a reason wherever nothing was judged.
-- severity: stop
-- remedy: This is a fault of the comparison; build again with --full, and report it if it stays.
with scores as (
    select * from sibling_scores
),

unsound as (
    select
        channel,
        van,
        parameter,
        state,
        p,
        q,
        tier,
        verdict,
        reason
    from scores
    where not coalesce(p between 0 and 1, true)
        or not coalesce(q between 0 and 1, true)
        or coalesce(channel not in ('level', 'change', 'spread', 'step'), true)
        or coalesce(tier not in ('finding', 'likely', 'watch', 'none', 'not_enough_evidence'), true)
        or coalesce(verdict not in ('above', 'below', 'borderline', 'within', 'not_judged'), true)
        or (verdict = 'not_judged' and reason is null)
        or (verdict <> 'not_judged' and p is null)
)

select * from unsound
