"""A wheel installed with plain pip in a new virtual environment runs the demo."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


def run(*command: str | Path, env: dict[str, str] | None = None) -> str:
    done = subprocess.run(
        [str(c) for c in command], capture_output=True, text=True, env=env, cwd=ROOT, check=False
    )
    assert done.returncode == 0, done.stderr[-2000:]
    return done.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    uv = shutil.which("uv") or str(Path(sys.executable).with_name("uv"))
    run(uv, "build", "--wheel", "--out-dir", folder)
    return next(folder.glob("kinbay-*.whl"))


def test_the_wheel_carries_every_data_file(wheel: Path) -> None:
    names = set(zipfile.ZipFile(wheel).namelist())
    wanted = [
        path.relative_to(ROOT).as_posix()
        for package in ("pipeline", "dashboard", "demo_warehouse")
        for path in (ROOT / package).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts and path.suffix != ".pyc"
    ]
    assert len(wanted) > 50
    assert [name for name in wanted if name not in names] == []


def test_plain_pip_and_a_new_environment_run_the_demo(wheel: Path, tmp_path: Path) -> None:
    run(sys.executable, "-m", "venv", tmp_path / "env")
    bin_folder = tmp_path / "env" / ("Scripts" if os.name == "nt" else "bin")
    # What is never imported need not be compiled: half of pip's time.
    pip = (
        bin_folder / "python",
        "-m",
        "pip",
        "install",
        "--quiet",
        "--disable-pip-version-check",
        "--no-compile",
    )
    run(*pip, wheel)
    env = {k: v for k, v in os.environ.items() if not k.startswith(("KINBAY", "PYTHON", "VIRTUAL_ENV", "UV"))}
    env["HOME"] = str(tmp_path / "home")
    (tmp_path / "home").mkdir()
    run(bin_folder / "kinbay", "demo", "--build-only", env=env)
    home = tmp_path / "home" / "kinbay" / "demo"
    found = json.loads(run(bin_folder / "kinbay", "findings", "--home", home, "--format", "json", env=env))
    assert found["vans"] > 50
    assert {"van_level", "cohort_offset", "record_conflict"} <= {f["kind"] for f in found["findings"]}
    picture = tmp_path / "siblings.png"
    top = next(f for f in found["findings"] if f["kind"] == "van_level")
    run(
        bin_folder / "kinbay", "chart", "siblings", "--home", home, "--parameter", top["parameter"], "--state",
        top["state"], "--van", top["van"], "--out", picture, env=env,
    )  # fmt: skip
    assert picture.read_bytes().startswith(b"\x89PNG")
