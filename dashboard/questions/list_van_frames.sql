-- One row per code and reading of one van's newest freeze frames.
with

newest as (
    select
        freeze_frames.code,
        freeze_frames.module,
        freeze_frames.scanned_at,
        parameters.name as parameter_name,
        parameters.unit,
        parameters.resolution,
        parameters.smallest_useful,
        freeze_frames.value
    from freeze_frames
    inner join parameters on freeze_frames.parameter = parameters.parameter
    where freeze_frames.van = $van
    qualify row_number() over (
        partition by freeze_frames.module, freeze_frames.code, freeze_frames.parameter
        order by freeze_frames.scanned_at desc, freeze_frames.scan_key desc
    ) = 1
    order by freeze_frames.code, freeze_frames.module, parameters.name
)

select * from newest
