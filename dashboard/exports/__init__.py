"""Charts, rows and handouts as files: offline, with title, filters, n, data date and caveat drawn in."""

from dashboard.exports.files import Asked, chart_file, handout_file

__all__ = ["Asked", "chart_file", "handout_file"]
