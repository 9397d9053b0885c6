-- One row per finding that concerns a shown van, a shown van's group, or no van at all (a reader, a habit).
with

shown as (
    select unnest(cast($vans as varchar[])) as van
),

shown_groups as (
    select distinct
        vans.make,
        vans.model,
        vans.engine,
        vans.model_year
    from vans
    inner join shown on vans.van = shown.van
),

concerned as (
    select findings.*
    from findings
    where findings.van in (select van from shown)
        or (
            findings.van is null
            and (
                findings.make is null
                or exists (
                    select 1
                    from shown_groups
                    where shown_groups.make = findings.make
                        and shown_groups.model = findings.model
                        and shown_groups.engine is not distinct from findings.engine
                        and (
                            findings.model_year is null
                            or shown_groups.model_year = findings.model_year
                        )
                )
            )
        )
),

caution_entries as (
    select
        finding_id,
        entry.position as position,
        entry.caution as caution
    from (
        select
            finding_id,
            unnest(list_transform(
                cast(coalesce(cautions, '[]') as json)::varchar[],
                lambda line, position: {'caution': line, 'position': position}
            )) as entry
        from concerned
    )
),

caution_lines as (
    select
        caution_entries.finding_id,
        list(coalesce(cautions.text, caution_entries.caution) order by caution_entries.position) as cautions
    from caution_entries
    left join cautions on caution_entries.caution = cautions.caution_id
    group by caution_entries.finding_id
),

worded as (
    select
        concerned.finding_id,
        concerned.kind,
        concerned.tier,
        concerned.rank,
        concerned.van,
        concerned.scan_id,
        concerned.reader,
        concerned.attribute,
        concerned.level,
        concerned.code,
        concerned.module,
        concerned.parameter,
        concerned.state,
        concerned.against,
        -- unsteadiness and steps between states stand with their own cell, channel named, at the head of `also`,
        -- whose figures have nine digits
        case
            when json_extract_string(concerned.also, '$[0].parameter') = concerned.parameter
                and json_extract_string(concerned.also, '$[0].state') = concerned.state
                and abs(
                    try_cast(json_extract_string(concerned.also, '$[0].difference') as double) - concerned.difference
                ) <= 1e-8 * abs(concerned.difference)
                then json_extract_string(concerned.also, '$[0].channel')
        end as movement,
        concerned.value,
        concerned.expected,
        concerned.difference,
        concerned.unit,
        concerned.interval_low,
        concerned.interval_high,
        concerned.q,
        concerned.robust,
        concerned.n_siblings,
        concerned.n_vans,
        concerned.n_scans,
        concerned.first_seen,
        concerned.last_seen,
        concerned.claim,
        cast(coalesce(concerned.rivals, '[]') as json)::varchar[] as rivals,
        concerned.next_check,
        coalesce(caution_lines.cautions, cast([] as varchar[])) as cautions,
        parameters.name as parameter_name,
        parameters.smallest_useful,
        parameters.resolution,
        states.name as state_name,
        coalesce(
            vans.cohort,
            nullif(concat_ws(
                ' ', concerned.make, concerned.model, concerned.engine, cast(concerned.model_year as varchar)
            ), '')
        ) as cohort,
        vans.depot,
        vans.odometer_km
    from concerned
    left join caution_lines on concerned.finding_id = caution_lines.finding_id
    left join parameters on concerned.parameter = parameters.parameter
    left join states on concerned.state = states.state
    left join vans on concerned.van = vans.van
    order by concerned.rank, concerned.finding_id
)

select * from worded
