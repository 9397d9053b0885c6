-- One row per shown van that is not judged in one reading because its readers do not decode it.
with

unseen as (
    select
        unseen_readings.van,
        vans.cohort_id,
        vans.cohort,
        vans.depot,
        unseen_readings.n_siblings,
        unseen_readings.n_scans,
        'not_enough_evidence' as tier,
        'not_judged' as verdict,
        unseen_readings.reason
    from unseen_readings
    inner join vans on unseen_readings.van = vans.van
    where unseen_readings.parameter = $parameter
        and unseen_readings.state = $state
        and $channel = 'level'
        and unseen_readings.van in (select unnest(cast($vans as varchar[])))
    order by vans.cohort, unseen_readings.van
)

select * from unseen
