-- One row per object: its line and its values as text, in the order of the paths asked for.
with cells as (
    select line, json_extract_string(text, $paths::varchar[]) as cells from lines where is_object order by line
)

select * from cells
