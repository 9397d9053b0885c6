"""The script that Streamlit runs.

It has a folder of its own: beside a folder called `pages` Streamlit would, until someone opens the first page,
run each page by itself, without sidebar and filters.
"""
