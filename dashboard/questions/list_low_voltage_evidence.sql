-- One row per rule of evidence that holds for a scan of a shown van whose codes may come from low supply voltage.
with

held as (
    select
        low_voltage_scans.van,
        low_voltage_scans.scan_id,
        low_voltage_scans.reader,
        low_voltage_scans.scanned_at,
        low_voltage_scans.points as points_in_all,
        low_voltage_scans.verdict,
        low_voltage_evidence.rule,
        low_voltage_evidence.points,
        low_voltage_evidence.says
    from low_voltage_scans
    inner join low_voltage_evidence on low_voltage_scans.scan_key = low_voltage_evidence.scan_key
    where low_voltage_scans.van in (select unnest(cast($vans as varchar[])))
    order by low_voltage_scans.scanned_at desc, low_voltage_evidence.points desc, low_voltage_evidence.rule
)

select * from held
