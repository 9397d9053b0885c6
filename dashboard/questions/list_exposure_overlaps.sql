-- One row per thing that differs along with an exposure level: another exposure, mileage, age.
with

along as (
    select
        rival,
        rival_level,
        n_same,
        n_vans,
        shift,
        shift_low,
        shift_high,
        p
    from exposure_overlaps
    where attribute = $attribute and level = $level
    order by n_same * 1.0 / nullif(n_vans, 0) desc nulls last, rival, rival_level
)

select * from along
