"""The browser's side comes from memory: the same bytes, compressed once, nothing outside the folder."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest
from starlette.responses import PlainTextResponse
from starlette.testclient import TestClient

from dashboard.static_files import FromMemory, StaticFiles

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
def client(folder: Path) -> TestClient:
    return TestClient(FromMemory(PlainTextResponse("behind"), files=StaticFiles(folder)))


def test_a_script_arrives_as_it_is_and_may_be_kept(client: TestClient) -> None:
    answer = client.get("/static/js/a.js", headers={"accept-encoding": "gzip, br"})
    assert answer.text == SCRIPT
    assert answer.headers["content-encoding"] == "gzip"
    assert int(answer.headers["content-length"]) < len(SCRIPT) / 4
    assert answer.headers["content-type"] == "text/javascript; charset=utf-8"
    assert "immutable" in answer.headers["cache-control"]


def test_it_is_compressed_once(client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    client.get("/static/js/a.js")

    def compress(*_: object, **__: object) -> bytes:
        raise AssertionError("compressed again")

    monkeypatch.setattr(gzip, "compress", compress)
    assert client.get("/static/js/a.js").text == SCRIPT


def test_a_font_is_not_compressed_again(client: TestClient) -> None:
    answer = client.get("/static/font.woff2")
    assert (answer.content, answer.headers["content-type"]) == (b"wOF2", "font/woff2")
    assert "content-encoding" not in answer.headers


@pytest.mark.parametrize(
    "path", ["/", "/static/", "/static/notes.txt", "/static/b.js", "/static/../secret.js", "/static/js/../../secret.js", "/static/%2e%2e/secret.js"]
)  # fmt: skip
def test_everything_else_is_answered_from_behind(client: TestClient, path: str) -> None:
    assert client.get(path).text == "behind"


@pytest.mark.parametrize(
    "asked", [{"accept-encoding": "identity"}, {"range": "bytes=0-9"}, {"if-none-match": '"x"'}]
)
def test_parts_checks_and_plain_files_are_answered_from_behind(
    client: TestClient, asked: dict[str, str]
) -> None:
    assert client.get("/static/js/a.js", headers=asked).text == "behind"


def test_a_file_that_came_later_is_not_read(client: TestClient, folder: Path) -> None:
    (folder / "late.js").write_text("late")
    assert client.get("/static/late.js").text == "behind"
