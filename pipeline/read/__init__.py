"""Reading: find the files, recognise each by its columns or its layout, and give its cells as text."""

from pipeline.read.layouts import Layout, read_layouts
from pipeline.read.recognise import Recognised, UnknownFileError, named_layout, recognise
from pipeline.read.sources import Refusal, Source, find_sources

__all__ = [
    "Layout",
    "Recognised",
    "Refusal",
    "Source",
    "UnknownFileError",
    "find_sources",
    "named_layout",
    "read_layouts",
    "recognise",
]
