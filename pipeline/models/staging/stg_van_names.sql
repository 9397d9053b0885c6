-- Other names of vans: what people said they are called, and chassis numbers and plates of the register.
-- A name that is itself a van's, or fits several vans, is left out: nothing is guessed.
-- grain: one row per other name
-- key: name_folded
-- kind: table
-- column name_folded: the name in capitals without spaces, hyphens and points
-- column van: the van that is meant
with aliases as (
    select * from raw.aliases
),

vans as (
    select * from stg_vans
),

attributes as (
    select * from stg_van_attributes
),

told as (
    select
        upper(translate(alias, ' -.', '')) as name_folded,
        van
    from aliases
    where alias is not null and van is not null
    qualify row_number() over (
        partition by upper(translate(alias, ' -.', '')) order by named_at desc, entry desc
    ) = 1
),

registered as (
    select
        upper(translate(vin, ' -.', '')) as name_folded,
        van
    from vans
    where vin is not null
    union
    select
        upper(translate(value, ' -.', '')) as name_folded,
        van
    from attributes
    where lower(attribute) in ('plate', 'number_plate', 'licence_plate', 'registration', 'fleet_number')
),

unambiguous as (
    select
        name_folded,
        min(van) as van
    from registered
    group by name_folded
    having count(distinct van) = 1
),

own_names as (
    select distinct upper(translate(van, ' -.', '')) as name_folded from vans
),

together as (
    select
        told.name_folded,
        told.van
    from told
    union all
    select
        unambiguous.name_folded,
        unambiguous.van
    from unambiguous
    left join told on unambiguous.name_folded = told.name_folded
    where told.name_folded is null
),

usable as (
    select
        together.name_folded,
        together.van
    from together
    left join own_names on together.name_folded = own_names.name_folded
    where own_names.name_folded is null and together.name_folded <> ''
)

select * from usable
