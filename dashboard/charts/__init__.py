"""Pure functions from frames to Vega-Lite charts: no warehouse, no screen, no files."""
