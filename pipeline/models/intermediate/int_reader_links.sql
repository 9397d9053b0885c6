-- Which reader read which van in what, and whether what it says can be held against the van's siblings.
-- Readers that share no van with the readers of most siblings cannot be compared with them.
-- grain: one row per van x reader x parameter x state
-- key: van_no, reader_no, cell_no
-- kind: table
-- column van_no: number of the van
-- column reader_no: number of the reader
-- column cell_no: number of parameter and state
-- column n_scans: scans of the van by the reader
-- column first_no: number of the first of them
-- column last_no: number of the last of them
-- column effect: what the reader adds, as far as it could be estimated (the parameter's unit); null = no estimate
-- column component: readers with one component can be told apart through vans they share; null = no estimate
-- column is_linked: the reader can be compared with those of most siblings
with numbered_values as (
    select * from int_numbered_values
),

scans as (
    select * from int_numbered_scans
),

vans as (
    select * from int_numbered_vans
),

cells as (
    select * from int_cells
),

reader_effects as (
    select * from computed.reader_effects
),

met as (
    select
        scans.van_no,
        scans.reader_no,
        numbered_values.cell_no,
        count(*) as n_scans,
        min(scans.scan_no) as first_no,
        max(scans.scan_no) as last_no
    from numbered_values
    inner join scans on numbered_values.scan_no = scans.scan_no
    group by scans.van_no, scans.reader_no, numbered_values.cell_no
),

readers as (
    select distinct
        reader_no,
        reader
    from scans
),

effects as (
    select
        readers.reader_no,
        cells.cell_no,
        reader_effects.effect,
        reader_effects.component
    from reader_effects
    inner join readers on reader_effects.reader = readers.reader
    inner join cells on reader_effects.parameter = cells.parameter and reader_effects.state = cells.state
),

estimated as (
    select
        met.van_no,
        met.reader_no,
        met.cell_no,
        met.n_scans,
        met.first_no,
        met.last_no,
        effects.effect,
        effects.component,
        coalesce(vans.cohort_no, 0) as cohort_no
    from met
    inner join vans on met.van_no = vans.van_no
    left join effects on met.reader_no = effects.reader_no and met.cell_no = effects.cell_no
),

component_sizes as (
    select
        cohort_no,
        cell_no,
        component,
        count(distinct van_no) as n_vans,
        sum(n_scans) as n_scans
    from estimated
    where component is not null
    group by cohort_no, cell_no, component
),

main_components as (
    select
        cohort_no,
        cell_no,
        component
    from component_sizes
    qualify row_number() over (
        partition by cohort_no, cell_no order by n_vans desc, n_scans desc, component <> 'linked', component
    ) = 1
),

linked as (
    select
        estimated.van_no,
        estimated.reader_no,
        estimated.cell_no,
        estimated.n_scans,
        estimated.first_no,
        estimated.last_no,
        estimated.effect,
        estimated.component,
        coalesce(estimated.component = main_components.component, true) as is_linked
    from estimated
    left join main_components
        on estimated.cohort_no = main_components.cohort_no and estimated.cell_no = main_components.cell_no
)

select * from linked
