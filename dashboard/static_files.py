"""The browser's side of Streamlit, sent from memory: compressed once, not at each visit.

A first visit asks for some 150 small files. Streamlit reads each from disk in a thread and it is compressed anew,
which took the server longer than the browser needed for all the rest (docs/decisions/0008).
"""

from __future__ import annotations

import gzip
from pathlib import Path

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.responses import Response
from starlette.types import ASGIApp, Receive, Scope, Send

PREFIX = "/static/"
TYPES = {
    ".js": "text/javascript; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".woff2": "font/woff2",
}
# The names carry a hash of what they hold: they never change, and any cache may keep them.
KEPT_FOR = "public, immutable, max-age=31536000"


class StaticFiles:
    """The files of one folder, by the path that a browser asks for.

    Parameters
    ----------
    folder : Path
        What is served under `/static/`. It is listed once; only what was there then is ever read.
    """

    def __init__(self, folder: Path) -> None:
        self._files = {
            PREFIX + file.relative_to(folder).as_posix(): file
            for file in folder.rglob("*")
            if file.suffix in TYPES and file.is_file()
        }
        self.kept: dict[str, tuple[bytes, dict[str, str]]] = {}  # 6 MB at most: the whole folder, compressed

    def read(self, path: str) -> tuple[bytes, dict[str, str]]:
        """Return body and headers, and keep them; fonts are compressed by themselves."""
        file = self._files[path]
        body, kind = file.read_bytes(), TYPES[file.suffix]
        headers = {"content-type": kind, "cache-control": KEPT_FOR, "vary": "Accept-Encoding"}
        if kind.startswith("text/"):
            body = gzip.compress(body, 6, mtime=0)
            headers["content-encoding"] = "gzip"
        self.kept[path] = body, headers
        return body, headers

    def holds(self, path: str) -> bool:
        """Whether `path` is one of the files."""
        return path in self._files


class FromMemory:
    """Answer for the static files; hand everything else on.

    Parameters
    ----------
    app : ASGIApp
        What stands behind; it answers who cannot read gzip, wants a part of a file or has one already.
    files : StaticFiles
        The files.
    """

    def __init__(self, app: ASGIApp, *, files: StaticFiles) -> None:
        self.app, self.files = app, files

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, or hand on to the app."""
        if scope["type"] != "http" or not self.files.holds(scope["path"]) or not _is_plain(scope):
            await self.app(scope, receive, send)
            return
        path = scope["path"]
        found = self.files.kept.get(path)
        body, headers = found if found is not None else await run_in_threadpool(self.files.read, path)
        await Response(body, headers=headers)(scope, receive, send)


def _is_plain(scope: Scope) -> bool:
    """Whether a whole file is asked for by who can read gzip."""
    headers = Headers(scope=scope)
    is_part = any(name in headers for name in ("range", "if-none-match", "if-modified-since"))
    return scope["method"] == "GET" and not is_part and "gzip" in headers.get("accept-encoding", "")
