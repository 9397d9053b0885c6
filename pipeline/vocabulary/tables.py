"""The vocabulary as Arrow tables: schema `vocab` of the work file, and part of what is published."""

from __future__ import annotations

import csv
import io
import json
import tomllib
from collections.abc import Iterable
from functools import cache
from typing import Any

import pyarrow as pa

from pipeline.columns import column
from pipeline.vocabulary import low_voltage, physics
from pipeline.vocabulary.names import fold, fold_unit
from pipeline.vocabulary.parts import part_rows
from pipeline.vocabulary.records import cautions, parameters, read_text, states

_FIELDS: dict[str, tuple[tuple[str, pa.DataType], ...]] = {
    "parameters": (
        ("parameter", pa.string()),
        ("name", pa.string()),
        ("unit", pa.string()),
        ("role", pa.string()),
        ("resolution", pa.float64()),
        ("smallest_useful", pa.float64()),
        ("plausible_low", pa.float64()),
        ("plausible_high", pa.float64()),
        ("comparable_across_models", pa.bool_()),
        ("meaning_high", pa.string()),
        ("meaning_low", pa.string()),
        ("source", pa.string()),
    ),
    "parameter_names": (("label_folded", pa.string()), ("parameter", pa.string()), ("language", pa.string())),
    "ambiguous_labels": (
        ("label_folded", pa.string()),
        ("candidates", pa.string()),
        ("decide_by", pa.string()),
    ),
    "parameter_sentinels": (("parameter", pa.string()), ("value", pa.float64())),
    "unit_spellings": (
        ("parameter", pa.string()),
        ("spelling_folded", pa.string()),
        ("factor", pa.float64()),
        ("shift", pa.float64()),
    ),
    "missing_words": (("word_folded", pa.string()),),
    "states": (
        ("state", pa.string()),
        ("name", pa.string()),
        ("state_order", pa.int64()),
        ("is_comparable", pa.bool_()),
    ),
    "state_rules": (
        ("rule_id", pa.string()),
        ("state", pa.string()),
        ("state_order", pa.int64()),
        ("signal", pa.string()),
        ("operator", pa.string()),
        ("threshold", pa.float64()),
        ("if_missing", pa.string()),
    ),
    "parts": (("part_folded", pa.string()), ("parameter", pa.string())),
    "cautions": (("caution_id", pa.string()), ("text", pa.string()), ("source", pa.string())),
    "parameter_cautions": (("parameter", pa.string()), ("caution_id", pa.string())),
    "code_titles": (("code", pa.string()), ("title", pa.string())),
    "failure_types": (("failure_type", pa.string()), ("title", pa.string())),
    "status_bytes": (("status_byte", pa.int32()), ("says", pa.string())),
    "undescribed_texts": (("text", pa.string()),),
    "low_voltage_rules": (
        ("rule", pa.string()),
        ("points", pa.int64()),
        ("says", pa.string()),
        ("source", pa.string()),
    ),
    "low_voltage_codes": (("rule", pa.string()), ("code_begins", pa.string())),
    "low_voltage_verdicts": (("verdict", pa.string()), ("min_points", pa.int64()), ("says", pa.string())),
    "low_voltage_limits": (("key", pa.string()), ("value", pa.float64())),
    "cranking_floors": (
        ("from_c", pa.float64()),
        ("to_c", pa.float64()),
        ("from_v", pa.float64()),
        ("to_v", pa.float64()),
    ),
    "physics": (
        ("key", pa.string()),
        ("value", pa.float64()),
        ("unit", pa.string()),
        ("source", pa.string()),
    ),
    "worked_out": (
        ("parameter", pa.string()),
        ("formula", pa.string()),
        ("inputs", pa.string()),
        ("silent", pa.string()),
    ),
    "worked_out_states": (("parameter", pa.string()), ("state", pa.string())),
    "battery_charges": (
        ("from_v", pa.float64()),
        ("to_v", pa.float64()),
        ("from_pct", pa.float64()),
        ("to_pct", pa.float64()),
    ),
    "expectations": (
        ("parameter", pa.string()),
        ("expected_by", pa.string()),
        ("relation", pa.string()),
        ("low", pa.float64()),
        ("high", pa.float64()),
        ("says", pa.string()),
    ),
    "fuel_words": (("word", pa.string()), ("fuel", pa.string())),
    "state_steps": (("state", pa.string()), ("from_state", pa.string())),
}


def _parameters() -> Iterable[tuple[Any, ...]]:
    for p in parameters():
        yield (
            p.key, p.name, p.unit, p.role, p.resolution, p.smallest_useful, p.plausible_low,
            p.plausible_high, p.comparable_across_models, p.meaning_high, p.meaning_low, p.source,
        )  # fmt: skip


def _names() -> Iterable[tuple[str, str, str]]:
    """Every key and alias; a label given to two readings is left to `ambiguous_labels`."""
    seen: dict[str, tuple[str, str]] = {}
    clash: set[str] = set()
    for p in parameters():
        labels = [(p.key, "key"), (p.name, "en")]
        labels += [(p.abbreviation, "standard")] if p.abbreviation else []
        labels += [(alias, language) for language, names in p.aliases.items() for alias in names]
        for label, language in labels:
            folded = fold(label)
            if seen.setdefault(folded, (p.key, language))[0] != p.key:
                clash.add(folded)
    return [(label, *found) for label, found in seen.items() if label not in clash]


def _ambiguous() -> Iterable[tuple[str, str, str]]:
    for row in json.loads(read_text("parameters.json"))["ambiguous_labels"]:
        for label in row["label"].split(" / "):
            yield fold(label), ";".join(row["candidates"]), row["decide_by"]


def _unit_spellings() -> Iterable[tuple[str, str, float, float]]:
    """Every spelling of every unit a reading may come in, with factor and shift to its own unit."""
    units = json.loads(read_text("units.json"))["units"]
    found: dict[tuple[str, str], tuple[float, float]] = {}
    for p in parameters():
        own = next((u["to_base"] for u in units if u["unit"] == p.unit), None)
        found[p.key, fold_unit(p.unit)] = (1.0, 0.0)
        for unit in units:
            base, factor, shift = unit["to_base"]
            if own is not None and base == own[0]:
                turned = (factor / own[1], (shift - own[2]) / own[1])
            elif unit["unit"] in p.alternative_units:
                turned = p.alternative_units[unit["unit"]]
            else:
                continue
            for spelling in (unit["unit"], *unit["spellings"]):
                found.setdefault((p.key, fold_unit(spelling)), turned)
        if p.unit == "%":
            found.setdefault((p.key, "fraction"), (100.0, 0.0))
    return [(key, spelling, *turned) for (key, spelling), turned in found.items()]


def _state_rules() -> Iterable[tuple[Any, ...]]:
    for state in states():
        for number, rule in enumerate(state.rules, 1):
            for condition in rule:
                yield (
                    f"{state.key}-{number}", state.key, state.order, condition["signal"], condition["is"],
                    float(condition["value"]), condition.get("if_missing", "fail"),
                )  # fmt: skip


def _status_bytes() -> Iterable[tuple[int, str]]:
    """What every status byte says, bit by bit."""
    bits = [(int(r["mask"]), r["says"]) for r in csv.DictReader(io.StringIO(read_text("status_bits.csv")))]
    for byte in range(256):
        yield byte, "; ".join(says for mask, says in bits if byte & mask) or "nothing to report"


def _rows(name: str) -> Iterable[tuple[Any, ...]]:
    if name == "parameter_sentinels":
        return [(p.key, value) for p in parameters() for value in p.sentinels]
    if name == "missing_words":
        return [(w,) for w in sorted({fold(m) for m in json.loads(read_text("units.json"))["missing"]})]
    if name == "states":
        return [(s.key, s.name, s.order, s.is_comparable) for s in states()]
    if name == "cautions":
        return [(c.key, c.text, c.source) for c in cautions()]
    if name == "parameter_cautions":
        pairs = tomllib.loads(read_text("parameter_cautions.toml"))
        return [(key, caution) for caution, keys in pairs.items() for key in keys]
    if name == "undescribed_texts":
        return [(text,) for text in tomllib.loads(read_text("undescribed_texts.toml"))["texts"]]
    if name == "code_titles":
        return [(r["code"], r["title"]) for r in csv.DictReader(io.StringIO(read_text("code_titles.csv")))]
    if name == "failure_types":
        found = csv.DictReader(io.StringIO(read_text("failure_types.csv")))
        return [(r["failure_type"], r["title"]) for r in found]
    builders = {
        "status_bytes": _status_bytes,
        "parameters": _parameters,
        "parameter_names": _names,
        "ambiguous_labels": _ambiguous,
        "unit_spellings": _unit_spellings,
        "state_rules": _state_rules,
        "parts": part_rows,
        "low_voltage_rules": low_voltage.rule_rows,
        "low_voltage_codes": low_voltage.code_rows,
        "low_voltage_verdicts": low_voltage.verdict_rows,
        "low_voltage_limits": low_voltage.limit_rows,
        "cranking_floors": low_voltage.floor_rows,
        "physics": physics.constant_rows,
        "worked_out": physics.worked_out_rows,
        "worked_out_states": physics.worked_out_states,
        "battery_charges": physics.charge_rows,
        "expectations": physics.expectation_rows,
        "fuel_words": physics.fuel_rows,
        "state_steps": physics.step_rows,
    }
    return builders[name]()


@cache
def tables() -> dict[str, pa.Table]:
    """Return every vocabulary table by name; columns as listed in docs/readings.md."""
    return {name: _table(_rows(name), pa.schema(fields)) for name, fields in _FIELDS.items()}


def _table(rows: Iterable[tuple[Any, ...]], schema: pa.Schema) -> pa.Table:
    columns = list(zip(*rows, strict=True)) or [()] * len(schema)
    return pa.table([column(c, f.type) for c, f in zip(columns, schema, strict=True)], schema=schema)
