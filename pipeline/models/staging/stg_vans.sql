-- The register's newest row of each van, with the cohort it is compared within and the family it falls back to.
-- grain: one row per van in the register
-- key: van
-- kind: table
-- column family_id: the cohort without the model year, where siblings are sought when the cohort is too small
with register as (
    select * from raw.vans
),

cohort_key as (
    select * from vocab.cohort_key
),

newest as (
    select
        van,
        vin,
        vin_status,
        make,
        model,
        model_year,
        engine,
        displacement_l,
        cylinders,
        fuel,
        emission_standard,
        in_service,
        out_of_service,
        depot,
        altitude_m,
        battery_ah
    from register
    where van is not null
    qualify row_number() over (partition by van order by batch_id desc, file_id desc, line desc) = 1
),

key_parts as (
    select
        newest.van,
        cohort_key.column_name,
        cohort_key.position,
        trim(case cohort_key.column_name
            when 'make' then newest.make
            when 'model' then newest.model
            when 'engine' then newest.engine
            when 'model_year' then cast(newest.model_year as varchar)
            when 'fuel' then newest.fuel
            when 'emission_standard' then newest.emission_standard
            when 'depot' then newest.depot
        end) as part
    from newest
    cross join cohort_key
),

filled_parts as (
    select
        van,
        column_name,
        position,
        case when part <> '' then part else '?' end as part
    from key_parts
),

wide_parts as (
    select
        van,
        max(case when position = 1 then part end) as part_1,
        max(case when position = 2 then part end) as part_2,
        max(case when position = 3 then part end) as part_3,
        max(case when position = 4 then part end) as part_4,
        max(case when position = 5 then part end) as part_5,
        max(case when position = 6 then part end) as part_6,
        max(case when position = 7 then part end) as part_7,
        max(case when position = 1 and column_name <> 'model_year' then part end) as kin_1,
        max(case when position = 2 and column_name <> 'model_year' then part end) as kin_2,
        max(case when position = 3 and column_name <> 'model_year' then part end) as kin_3,
        max(case when position = 4 and column_name <> 'model_year' then part end) as kin_4,
        max(case when position = 5 and column_name <> 'model_year' then part end) as kin_5,
        max(case when position = 6 and column_name <> 'model_year' then part end) as kin_6,
        max(case when position = 7 and column_name <> 'model_year' then part end) as kin_7
    from filled_parts
    group by van
),

-- Case does not part siblings: "2.2D" and "2.2d" are one engine typed twice.
keyed as (
    select
        van,
        lower(concat_ws(' | ', part_1, part_2, part_3, part_4, part_5, part_6, part_7)) as cohort_id,
        concat_ws(' ', part_1, part_2, part_3, part_4, part_5, part_6, part_7) as cohort_spelling,
        lower(concat_ws(' | ', kin_1, kin_2, kin_3, kin_4, kin_5, kin_6, kin_7)) as family_id,
        concat_ws(' ', kin_1, kin_2, kin_3, kin_4, kin_5, kin_6, kin_7) as family_spelling
    from wide_parts
),

counted as (
    select
        keyed.*,
        count(*) over (partition by keyed.cohort_id, keyed.cohort_spelling) as n_cohort_spelling,
        count(*) over (partition by keyed.family_id, keyed.family_spelling) as n_family_spelling
    from keyed
),

-- The most common spelling speaks for all.
labelled as (
    select
        newest.*,
        counted.cohort_id,
        first_value(counted.cohort_spelling) over (
            partition by counted.cohort_id order by counted.n_cohort_spelling desc, counted.cohort_spelling
        ) as cohort,
        counted.family_id,
        first_value(counted.family_spelling) over (
            partition by counted.family_id order by counted.n_family_spelling desc, counted.family_spelling
        ) as family
    from newest
    inner join counted on newest.van = counted.van
)

select * from labelled
