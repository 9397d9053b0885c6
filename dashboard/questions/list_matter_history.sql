-- One row per earlier build that named this matter, oldest first.
with

named as (
    select
        build_id,
        built_at,
        data_to,
        tier,
        difference,
        n_scans
    from finding_history
    where finding_id = $finding
    order by built_at
)

select * from named
