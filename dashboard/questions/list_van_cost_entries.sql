-- One row per entry of one van's work list within the time costs are counted over, newest first.
with

entries as (
    select
        work."at" as worked_at,
        work.what,
        work.part,
        work.cost,
        work.days_standing,
        work.odometer_km,
        work.note
    from work
    inner join van_costs on work.van = van_costs.van
    where work.van = $van
        and work.what not in ('cleared', 'reader_left_plugged')
        and work."at"::date between van_costs.window_from and van_costs.window_to
    order by work."at" desc, work.what, work.part
)

select * from entries
