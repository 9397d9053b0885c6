"""Brings everything between stored rows and the published warehouse up to date."""

from pipeline.build.run import BuildReport, build

__all__ = ["BuildReport", "build"]
