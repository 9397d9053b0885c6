"""Pieces that pages share: the sidebar, links, faults, charts and tables on screen."""
