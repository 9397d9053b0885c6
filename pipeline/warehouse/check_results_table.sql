-- What the checks of this build found.
-- grain: one row per check
-- column check_name: name of the check
-- column severity: stop (nothing is published while it finds anything) or warn
-- column sentence: what it looks for
-- column remedy: what to do about it
-- column n_rows: rows that violate it
-- column examples: the first of those rows (JSON list)
create table check_results (
    check_name varchar, severity varchar, sentence varchar, remedy varchar, n_rows bigint, examples varchar
)
