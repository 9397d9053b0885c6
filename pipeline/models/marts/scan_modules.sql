-- Which modules a scan asked, and which of them answered.
-- grain: one row per scan x module
-- key: scan_key, module
-- kind: view
-- column module_given: the module as the reader names it; the first by name where it gives several
-- column answered: the module answered; a silent one says nothing about its codes
with modules as (
    select * from stg_scan_modules
),

columns_kept as (
    select
        scan_key,
        van,
        scanned_at,
        reader,
        module,
        module_given,
        answered
    from modules
)

select * from columns_kept
