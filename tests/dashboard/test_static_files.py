"""The browser's side comes from memory: the same bytes, compressed once, nothing outside the folder."""

from __future__ import annotations

import gzip
from pathlib import Path
from typing import Any

import pytest
from starlette.responses import PlainTextResponse

from dashboard.static_files import FromMemory, StaticFiles
from tests.dashboard.conftest import run_apart

SCRIPT = "export const words = 'ä' // " + "long " * 400


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    static = tmp_path / "static"
    (static / "js").mkdir(parents=True)
    (static / "js" / "a.js").write_text(SCRIPT, encoding="utf-8")
    (static / "font.woff2").write_bytes(b"wOF2")
    (static / "notes.txt").write_text("no type of its own")
    (tmp_path / "secret.js").write_text("outside")
    return static


@pytest.fixture
def app(folder: Path) -> FromMemory:
    return FromMemory(PlainTextResponse("behind"), files=StaticFiles(folder))


def _ask(app: FromMemory, path: str, **headers: str) -> tuple[dict[str, str], bytes]:
    """Headers and body of an answer."""
    sent: list[Any] = []

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": b""}

    async def send(message: Any) -> None:
        sent.append(message)

    given = {name.replace("_", "-"): text for name, text in headers.items()}
    asked = {"accept-encoding": "gzip, br"} | given
    raw = [(name.encode(), text.encode()) for name, text in asked.items()]
    run_apart(app({"type": "http", "method": "GET", "path": path, "headers": raw}, receive, send))
    told = {name.decode(): text.decode() for name, text in sent[0]["headers"]}
    return told, b"".join(message.get("body", b"") for message in sent[1:])


def test_a_script_arrives_as_it_is_and_may_be_kept(app: FromMemory) -> None:
    headers, body = _ask(app, "/static/js/a.js")
    assert gzip.decompress(body).decode() == SCRIPT
    assert headers["content-encoding"] == "gzip"
    assert int(headers["content-length"]) == len(body) < len(SCRIPT) / 4
    assert headers["content-type"] == "text/javascript; charset=utf-8"
    assert "immutable" in headers["cache-control"]


def test_it_is_compressed_once(app: FromMemory, monkeypatch: pytest.MonkeyPatch) -> None:
    first = _ask(app, "/static/js/a.js")

    def compress(*_: object, **__: object) -> bytes:
        raise AssertionError("compressed again")

    monkeypatch.setattr(gzip, "compress", compress)
    assert _ask(app, "/static/js/a.js") == first


def test_a_font_is_not_compressed_again(app: FromMemory) -> None:
    headers, body = _ask(app, "/static/font.woff2")
    assert (body, headers["content-type"]) == (b"wOF2", "font/woff2")
    assert "content-encoding" not in headers


@pytest.mark.parametrize(
    "path", ["/", "/static/", "/static/notes.txt", "/static/b.js", "/static/../secret.js", "/static/js/../../secret.js", "/static/%2e%2e/secret.js"]
)  # fmt: skip
def test_everything_else_is_answered_from_behind(app: FromMemory, path: str) -> None:
    assert _ask(app, path)[1] == b"behind"


@pytest.mark.parametrize(
    "asked", [{"accept_encoding": "identity"}, {"range": "bytes=0-9"}, {"if_none_match": '"x"'}]
)
def test_parts_and_checks_and_files_without_gzip_are_answered_from_behind(
    app: FromMemory, asked: dict[str, str]
) -> None:
    assert _ask(app, "/static/js/a.js", **asked)[1] == b"behind"


def test_a_file_that_came_later_is_not_read(app: FromMemory, folder: Path) -> None:
    (folder / "late.js").write_text("late")
    assert _ask(app, "/static/late.js")[1] == b"behind"
