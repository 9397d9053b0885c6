"""fleet.toml: defaults, refusals that name the nearest key, and the home's folders."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.errors import KinbayError, nearest
from pipeline.settings import Home, Settings, read_settings


def test_a_missing_file_means_defaults(tmp_path: Path) -> None:
    settings = read_settings(tmp_path / "fleet.toml")
    assert settings == Settings()
    assert dict(settings.rows())["level_days"] == 365
    assert settings.cohort_key == ("make", "model", "engine", "model_year")


def test_a_fleet_sets_its_own(tmp_path: Path) -> None:
    file = tmp_path / "fleet.toml"
    file.write_text(
        'time_zone = "Europe/Madrid"\n[windows]\nlevel_days = 200\n[parameters.coolant_temp]\nsmallest_useful = 6\n'
    )
    settings = read_settings(file)
    assert settings.zone.key == "Europe/Madrid"
    assert settings.windows.level_days == 200
    assert settings.parameters["coolant_temp"].smallest_useful == 6


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("time_zon = 'UTC'", "did you mean time_zone?"),
        ("[windows]\nlevel_day = 3", "did you mean windows.level_days?"),
        ("time_zone = 'Europe/Madrit'", "did you mean Europe/Madrid?"),
        ("cohort_key = ['colour']", "a cohort is made of"),
        ("[windows]\nlevel_days = 1", "greater than or equal to 30"),
        ("time_zone = ", "cannot be read"),
    ],
)
def test_a_wrong_setting_is_named_with_its_nearest(tmp_path: Path, text: str, said: str) -> None:
    file = tmp_path / "fleet.toml"
    file.write_text(text)
    with pytest.raises(KinbayError, match=r"fleet\.toml") as caught:
        read_settings(file)
    assert said in str(caught.value)


def test_the_home_is_found_in_order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("KINBAY_HOME", str(tmp_path / "env"))
    assert Home.find().path == (tmp_path / "env").resolve()
    assert Home.find(tmp_path / "given").path == (tmp_path / "given").resolve()
    monkeypatch.delenv("KINBAY_HOME")
    monkeypatch.setenv("HOME", str(tmp_path))
    assert Home.find().path == (tmp_path / "kinbay").resolve()


def test_the_homes_folders_are_made(tmp_path: Path) -> None:
    home = Home.find(tmp_path / "fleet").ensure()
    assert {p.name for p in home.path.iterdir()} == {"inbox", "originals", "layouts", "journal", "warehouse"}


def test_an_error_says_what_where_and_what_to_do() -> None:
    assert (
        str(KinbayError("A file is torn", "a.csv", "Send it again."))
        == "A file is torn (a.csv). Send it again."
    )
    assert nearest("coolant_tmp", ["rail_pressure", "coolant_temp"]) == "coolant_temp"
    assert nearest("zzz", ["rail_pressure"]) is None
