-- One row per given line: its number, its text, whether it is a JSON object.
select
    line,
    text,
    case when json_valid(text) then json_type(text) = 'OBJECT' else false end as is_object
from given
