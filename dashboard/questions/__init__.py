"""Questions put to the published warehouse: one function and one SQL file of the same name each.

Read only. Every function takes an open `Warehouse` and gives a polars frame; values from outside travel as
parameters, never inside the SQL text.
"""
