-- Whether a reading steps at a software update of a reader: its scans with the new software against those with the old,
-- held against scans of the same make, model and engine that other readers took in the same months.
-- grain: one row per reader x version x parameter x state
-- key: reader, reader_version, parameter, state
-- kind: view
-- column reader_version: software the reader was updated to
-- column version_before: software it had before
-- column since: first scan with the new software (UTC)
-- column step: how far the reading moved at the update (in unit); null where it cannot be told
-- column low: lower end of its 95 % interval (in unit)
-- column high: upper end of its 95 % interval (in unit)
-- column p: p-value of its being no larger than a tenth of the reading's smallest useful difference
-- column q: p-value after Benjamini-Hochberg over all updates and readings, the states of a reading being one matter
-- column is_shown: the step is taken off the scans with that software before readers and vans are compared
-- column n_vans: vans read by this reader before and after
-- column n_vans_other: vans read by other readers before and after, while the reader had the one software or the other
-- column reason: why it was not judged, in plain words; null where it was
with updates as (
    select * from computed.reader_updates
),

columns_kept as (
    select
        reader, reader_version, version_before, since, parameter, state, unit, step, low, high, p, q,
        is_shown, n_vans, n_vans_other, reason
    from updates
)

select * from columns_kept
