-- What people wrote beside a code for the whole fleet, newest last; their words, not the project's.
-- grain: one row per journal entry
-- key: entry
-- kind: table
-- column entry: the journal's file
-- column written_at: when it was written (UTC)
-- column who: who wrote it
-- column module: the van's control unit; empty where the code's module is not named
-- column text: in the person's words
-- column origin: where the person has it from, in the person's words; empty where not said
with code_notes as (
    select * from raw.code_notes
),

columns_kept as (
    select
        entry,
        written_at,
        who,
        module,
        code,
        text,
        origin
    from code_notes
)

select * from columns_kept
