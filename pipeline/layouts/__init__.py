"""Layouts as data: the tidy tables (tidy/tables.toml) and the readers' exports that ship (*.toml)."""
