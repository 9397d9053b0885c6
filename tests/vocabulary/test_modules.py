"""Module names: one module each, found whatever the language, unknown ones left alone.

That the names mean these modules is common practice, no source; ECM, PCM, TCM, BCM, SRS and ABS are terms of
SAE J1930 and trade use, from memory.
"""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.normalise.modules import same_modules, say_unknown
from pipeline.vocabulary.modules import LANGUAGES, find_module, modules, nearest_module


@pytest.mark.parametrize(
    ("name", "module"),
    [
        ("engine", "engine"), ("ECM", "engine"), ("Motorsteuergerät", "engine"), ("MOTEUR", "engine"), ("motor", "engine"),
        ("TCM", "gearbox"), ("Getriebe", "gearbox"), ("Boîte de vitesses", "gearbox"), ("caja de cambios", "gearbox"),
        ("abs", "brakes"), ("ABS/ESP", "brakes"), ("freins", "brakes"), ("SRS", "airbag"), ("air-bag", "airbag"),
        ("BCM", "body"), ("habitacle", "body"), ("Kombi", "instruments"), ("cuadro de instrumentos", "instruments"),
        ("Wegfahrsperre", "immobiliser"), ("chronotachygraphe", "tachograph"), ("filtre à particules", "aftertreatment"),
        ("PDC", "parking aid"), ("HVAC", "climate"), ("EPS", "steering"), ("Gateway", "gateway"),
    ],
)  # fmt: skip
def test_names_of_four_languages(name: str, module: str) -> None:
    assert find_module(name) == module


@pytest.mark.parametrize("name", ["47", "7E8", "01", "ECU", "module", "control unit", "Chiller plant", ""])
def test_what_may_be_several_things_is_not_guessed(name: str) -> None:
    assert find_module(name) is None


def test_every_module_has_names_in_every_language() -> None:
    for module in modules():
        assert set(module.aliases) == set(LANGUAGES), module.name
        assert module.says


def test_an_unknown_name_is_kept_and_the_nearest_one_only_named() -> None:
    given = pl.Series("module", ["Gearbx", "ABS", None, "4711", "Gateway 2"])
    assert same_modules(given).to_list() == ["Gearbx", "brakes", None, "4711", "Gateway 2"]
    assert (nearest_module("Gearbx"), nearest_module("Gateway 2"), nearest_module("4711")) == (
        "gearbox",
        "gateway",
        None,
    )
    said = say_unknown(given)
    assert len(said) == 2
    assert '"Gearbx" = "gearbox"' in said[1]
