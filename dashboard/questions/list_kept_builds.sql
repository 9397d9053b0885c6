-- One row per build whose findings are kept, newest first, and whether it is the build looked at.
with

kept as (
    select distinct
        finding_history.build_id,
        finding_history.built_at,
        finding_history.data_to,
        finding_history.build_id = builds.build_id as is_this,
        builds.built_at as this_built_at,
        builds.data_to as this_data_to
    from finding_history
    cross join builds
    order by finding_history.built_at desc
)

select * from kept
