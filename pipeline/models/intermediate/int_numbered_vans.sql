-- The vans that were scanned, numbered, with whom each is compared.
-- Numbers tell rows of one build apart and nothing else: the next build may give others.
-- grain: one row per van with scans
-- key: van_no
-- kind: table
-- column van_no: number of the van, from 1, rising with its name
-- column cohort_no: number of the cohort; null for a van that is not in the register
-- column family_no: number of the family; null for a van that is not in the register
with scans as (
    select * from stg_scans
),

vans as (
    select * from stg_vans
),

scanned as (
    select distinct van
    from scans
),

numbered as (
    select
        cast(row_number() over (order by scanned.van) as integer) as van_no,
        scanned.van,
        vans.cohort_id,
        vans.family_id,
        case
            when vans.van is not null then cast(dense_rank() over (order by vans.cohort_id) as integer)
        end as cohort_no,
        case
            when vans.van is not null then cast(dense_rank() over (order by vans.family_id) as integer)
        end as family_no
    from scanned
    left join vans on scanned.van = vans.van
)

select * from numbered
