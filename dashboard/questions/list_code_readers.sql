-- One row per code that two readers did or did not list on one van within a day, where both had asked the module.
with

compared as (
    select
        code_readers.module,
        code_readers.code,
        code_readers.reader,
        code_readers.other_reader,
        code_readers.n_pairs,
        code_readers.n_both,
        code_readers.n_only,
        code_readers.n_only_other,
        code_readers.n_only_faint,
        code_readers.n_only_other_faint,
        code_readers.n_vans
    from code_readers
    order by
        code_readers.n_only + code_readers.n_only_other desc, code_readers.n_pairs desc,
        code_readers.code, code_readers.module, code_readers.reader, code_readers.other_reader
)

select * from compared
