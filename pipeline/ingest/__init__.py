"""Ingesting: files into the raw store, out of it again, and all of it anew from the originals."""

from pipeline.ingest.forgetting import Forgotten, forget
from pipeline.ingest.loading import load
from pipeline.ingest.opening import open_store
from pipeline.ingest.rebuilding import rebuild_raw
from pipeline.ingest.reports import FileReport, LoadReport, Reject
from pipeline.ingest.withdrawing import Withdrawal, withdraw

__all__ = [
    "FileReport",
    "Forgotten",
    "LoadReport",
    "Reject",
    "Withdrawal",
    "forget",
    "load",
    "open_store",
    "rebuild_raw",
    "withdraw",
]
