-- One row: the ends of the age and odometer filters.
select
    coalesce(floor(min(age_years)), 0) as age_from,
    coalesce(ceil(max(age_years)), 0) as age_to,
    coalesce(floor(min(odometer_km) / 5000) * 5000, 0) as km_from,
    coalesce(ceil(max(odometer_km) / 5000) * 5000, 0) as km_to,
    (select min(scanned_at)::date from scans) as date_from,
    (select max(scanned_at)::date from scans) as date_to
from vans
