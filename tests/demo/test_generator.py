"""The demo fleet is the same every time, legal in its numbers, and holds what its scenario says, at the size it says."""

from __future__ import annotations

import ast
import csv
import hashlib
import io
import json
import tomllib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from demo_warehouse.generate import DemoFleet, Simulation, generate, simulate
from demo_warehouse.physics import air_density, standard_pressure_kpa
from demo_warehouse.story import Effect

PACKAGE = Path(__file__).parents[2] / "demo_warehouse"


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> DemoFleet:
    return generate(tmp_path_factory.mktemp("demo"))


@pytest.fixture(scope="module")
def made() -> Simulation:
    return simulate()


@pytest.fixture(scope="module")
def levels(made: Simulation) -> pl.DataFrame:
    """One row per scan, parameter and state: the median of the rows, as any reader of the files could form it."""
    facts = [{"van": v.van, "cohort": v.cohort, "model": v.model_key} for v in made.physics.vans]
    return (
        made.seen.readings.filter(~pl.col("is_cold"))
        .group_by("scan", "parameter", "state")
        .agg(pl.col("value").median())
        .join(made.seen.scans.select("scan", "van", "reader", "local_at"), on="scan")
        .join(pl.DataFrame(facts), on="van")
    )


def read(folder: Path, name: str) -> list[dict[str, str]]:
    text = (folder / "inbox" / name).read_bytes().decode("utf-8")
    return list(csv.DictReader(io.StringIO(text, newline="")))


def digests(folder: Path) -> dict[str, str]:
    files = sorted(p for p in folder.rglob("*") if p.is_file())
    return {str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


# ---- the same every time -----------------------------------------------------------------------------------


def test_the_same_seed_gives_the_same_bytes(fleet: DemoFleet, tmp_path: Path) -> None:
    again = generate(tmp_path / "again")
    assert digests(fleet.folder) == digests(again.folder)
    assert (fleet.files, fleet.n_readings) == (again.files, again.n_readings)


def test_another_seed_gives_another_fleet_of_the_same_story(fleet: DemoFleet, tmp_path: Path) -> None:
    other = generate(tmp_path / "other", seed=7)
    assert other.effects == fleet.effects
    here, there = digests(fleet.folder), digests(other.folder)
    assert here["inbox/bench_readings_2026-04.csv"] != there["inbox/bench_readings_2026-04.csv"]


def test_every_step_is_told(tmp_path: Path) -> None:
    told: list[tuple[str, int, int]] = []
    generate(tmp_path, progress=lambda what, done, total: told.append((what, done, total)))
    assert [done for _, done, _ in told] == list(range(told[-1][2] + 1))
    assert told[-1][1] == told[-1][2]


def test_the_fleet_has_the_size_the_read_me_promises(fleet: DemoFleet, made: Simulation) -> None:
    sizes = sorted(len(c.vans) for c in made.scenario.cohorts)
    assert sizes[-1] == 12
    assert sizes.count(1) == 3
    assert all(4 <= size <= 12 for size in sizes if size > 1)
    assert 55 <= fleet.n_vans <= 65
    assert 150_000 <= fleet.n_readings <= 250_000
    newest = made.seen.scans["local_at"].max()
    assert str(newest)[:10] == str(fleet.data_date) == "2026-09-30"


# ---- chassis numbers ---------------------------------------------------------------------------------------

# Position weights and letter values as 49 CFR 565.15(c) prints them, written out here apart from the package.
WEIGHTS = [8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2]
LETTERS = "A1 B2 C3 D4 E5 F6 G7 H8 J1 K2 L3 M4 N5 P7 R9 S2 T3 U4 V5 W6 X7 Y8 Z9"
VALUE = {pair[0]: int(pair[1]) for pair in LETTERS.split()} | {str(d): d for d in range(10)}


def passes(vin: str) -> bool:
    if len(vin) != 17 or any(c not in VALUE for c in vin):
        return False
    rest = sum(w * VALUE[c] for w, c in zip(WEIGHTS, vin, strict=True)) % 11
    return vin[8] == ("X" if rest == 10 else str(rest))


@pytest.mark.parametrize(
    ("vin", "good"),
    [
        ("1G4AH59H45G118341", True),  # the sample number of 49 CFR 565
        ("1M8GDM9AXKP042788", True),  # published example with check digit X
        ("5GZCZ43D13S812715", True),  # published example
        ("1M8GDM9AXKP042789", False),  # one digit wrong
        ("1M8GDM9AXKP024788", False),  # two digits swapped
    ],
)
def test_the_check_used_here_agrees_with_published_numbers(vin: str, good: bool) -> None:
    assert passes(vin) is good


def test_chassis_numbers_are_valid_but_for_the_planted_slips(fleet: DemoFleet, made: Simulation) -> None:
    told = {van: made.scenario.particular(van).vin for c in made.scenario.cohorts for van in c.vans}
    register = {row["van"]: row["vin"] for row in read(fleet.folder, "register.csv")}
    assert set(register) == set(told)
    prefixes = {m.vin_prefix for m in made.scenario.models.values()}
    for van, vin in register.items():
        if told[van] == "none":
            assert vin == ""
        else:
            assert passes(vin) is (told[van] != "mistyped"), van
            assert vin[:3] in prefixes
    copied = [van for van, how in told.items() if how.startswith("copied:")]
    assert all(register[van] == register[told[van].split(":")[1]] for van in copied)
    numbers = [vin for van, vin in register.items() if vin and van not in copied]
    assert len(numbers) == len(set(numbers))


# ---- the scenario refers to what exists --------------------------------------------------------------------


def test_every_effect_names_things_that_exist(made: Simulation) -> None:
    scenario = made.scenario
    vans = {van for cohort in scenario.cohorts for van in cohort.vans}
    assert len({e.id for e in scenario.effects}) == len(scenario.effects)
    for effect in scenario.effects:
        assert effect.van is None or effect.van in vans, effect.id
        assert effect.cohort in {None, *(c.key for c in scenario.cohorts)}, effect.id
        assert effect.reader in {None, *scenario.readers}, effect.id
        assert effect.van or effect.cohort or effect.reader or effect.attribute, effect.id
        assert bool(effect.kinds) is (effect.expect != "must_not_be_accused"), effect.id
        for cell in effect.cells():
            model = scenario.cohort_of(effect.van).model if effect.van else "bracken"
            assert scenario.van_sd(cell.parameter, cell.state, model) > 0, effect.id
    named = {e.id for e in scenario.effects}
    assert all(code.effect is None or code.effect in named for code in scenario.codes)
    assert {v for c in scenario.codes for v in c.vans} <= vans
    assert {w.van for w in scenario.work} | {n.van for n in scenario.notes} <= vans
    assert set(scenario.particulars) <= vans


def test_the_sizes_asked_for_are_planted(made: Simulation) -> None:
    level = [e for e in made.scenario.effects if e.kinds == ("van_level",) and e.sigma]
    sizes = sorted(abs(e.sigma or 0) for e in level)
    assert [s for s in sizes if s < 6] == [3, 4, 5]
    assert sizes.count(6) >= 3
    assert sizes.count(8) >= 5
    change = sorted(abs(e.sigma or 0) for e in made.scenario.effects if e.kinds[:1] == ("van_change",))
    assert change == [2, 3, 3, 4, 9]
    for parameter, cohort in (("injection_timing", "tumbril-2018"), ("charge_air_temp", "bracken-2018")):
        twins = {str(e.van) for e in level if e.parameter == parameter and abs(e.sigma or 0) == 8}
        assert len(twins) == 2
        assert {made.scenario.cohort_of(van).key for van in twins} == {cohort}


def test_no_van_that_must_not_be_accused_carries_an_effect(made: Simulation) -> None:
    decoys = {e.van for e in made.scenario.effects if e.expect == "must_not_be_accused" and e.van}
    planted = {e.van for e in made.scenario.effects if e.expect != "must_not_be_accused"}
    assert len(decoys) == 7
    assert not decoys & planted


# ---- sizes, measured in the rows ---------------------------------------------------------------------------


def planted_vans(made: Simulation, parameter: str) -> set[str]:
    return {e.van for e in made.scenario.effects if e.van and parameter in {c.parameter for c in e.cells()}}


def deviations(made: Simulation, levels: pl.DataFrame, parameter: str, state: str) -> pl.DataFrame:
    """Scan values in sd, less the month's median of healthy vans of the same model and less the reader's."""
    cell = levels.filter((pl.col("parameter") == parameter) & (pl.col("state") == state))
    sd = {m: made.scenario.van_sd(parameter, state, m) for m in cell["model"].unique()}
    cell = cell.with_columns(
        pl.col("local_at").dt.truncate("1mo").alias("month"),
        pl.col("value") / pl.col("model").replace_strict(sd),
    )
    healthy = cell.filter(~pl.col("van").is_in(list(planted_vans(made, parameter))))
    offset = healthy.group_by("model", "cohort").agg(pl.col("value").mean().alias("year"))
    month = (
        healthy.join(offset, on=["model", "cohort"])
        .group_by("model", "month")
        .agg((pl.col("value") - pl.col("year")).median().alias("season"))
    )
    return cell.join(month, on=["model", "month"]).with_columns(pl.col("value") - pl.col("season"))


def measured_level(made: Simulation, levels: pl.DataFrame, effect: Effect, state: str) -> tuple[float, float]:
    """The van's mean less the mean of its healthy siblings' means, in sd, and the error to allow."""
    parameter = str(effect.parameter)
    cohort = made.scenario.cohort_of(str(effect.van))
    own = deviations(made, levels, parameter, state).filter(pl.col("cohort") == cohort.key)
    vans = own.group_by("van").agg(pl.col("value").mean(), pl.len().alias("scans"))
    healthy = vans.filter(~pl.col("van").is_in(list(planted_vans(made, parameter))))
    mine = vans.filter(pl.col("van") == effect.van)
    spec = made.scenario.level(parameter, state, cohort.model)
    assert spec is not None
    noise = (spec.scan_sd / made.scenario.van_sd(parameter, state, cohort.model)) ** 2
    # the siblings' mean has their own spread, the van's its scans' noise, the season's medians a little
    error = (1.1 / len(healthy) + noise / mine["scans"][0] + 0.05) ** 0.5
    return mine["value"][0] - float(np.mean(healthy["value"].to_numpy())), error


def level_effects() -> list[Effect]:
    return [
        e
        for e in simulate().scenario.effects
        if e.van and e.sigma and e.kinds[0] == "van_level" and e.since is None and e.until is None
    ]


@pytest.mark.parametrize("effect", level_effects(), ids=lambda e: e.id)
def test_a_level_is_off_by_the_size_it_says(made: Simulation, levels: pl.DataFrame, effect: Effect) -> None:
    for state in effect.states[:1]:
        size, error = measured_level(made, levels, effect, state)
        assert size == pytest.approx(effect.sigma, abs=3 * error), (state, error)


def test_a_healthy_van_is_not_off(made: Simulation, levels: pl.DataFrame) -> None:
    """The same measure on vans without an effect stays within what healthy siblings do (four sd and error)."""
    cell = deviations(made, levels, "coolant_temp", "warm_idle")
    vans = cell.group_by("van", "cohort").agg(pl.col("value").mean())
    healthy = vans.filter(~pl.col("van").is_in(["009", "061"]))
    centred = healthy.with_columns(pl.col("value") - pl.col("value").mean().over("cohort"))
    assert float(np.abs(centred["value"].to_numpy()).max()) < 4


@pytest.mark.parametrize(
    "name", ["meter_soiling", "valve_drifts", "small_change", "charging_drops", "weak_battery"]
)
def test_a_change_has_the_size_it_says(made: Simulation, levels: pl.DataFrame, name: str) -> None:
    effect = next(e for e in made.scenario.effects if e.id == name)
    parameter, state = str(effect.parameter), effect.states[0]
    if parameter == "battery_rest_voltage":
        sd = made.scenario.van_sd(parameter, state, "bracken")
        own = made.seen.scans.filter(
            (pl.col("van") == effect.van) & (pl.col("standing_days").fill_null(0) < 5)
        )
        own = own.with_columns(pl.col("rest_v").alias("value") / sd)
    else:
        own = deviations(made, levels, parameter, state).filter(pl.col("van") == effect.van)
    recent = pl.col("local_at").dt.date() >= effect.since
    after = own.filter(recent)["value"].drop_nulls().to_numpy()
    before = own.filter(~recent)["value"].drop_nulls().to_numpy()
    assert len(after) >= 3
    spread = float(np.std(before, ddof=1))
    error = spread * (1 / len(after) + 1 / len(before)) ** 0.5 + 0.3
    assert float(after.mean() - before.mean()) == pytest.approx(effect.sigma, abs=3 * error)


def test_a_repair_ends_its_effect(made: Simulation, levels: pl.DataFrame) -> None:
    effect = next(e for e in made.scenario.effects if e.id == "regulator_replaced")
    cell = deviations(made, levels, str(effect.parameter), "warm_idle").filter(
        pl.col("cohort") == "tumbril-2018"
    )
    means = cell.with_columns((pl.col("local_at").dt.date() < effect.until).alias("before"))
    own = means.group_by("van", "before").agg(pl.col("value").mean())
    siblings = own.filter(~pl.col("van").is_in(["034", "039"])).group_by("before").agg(pl.col("value").mean())
    gap = own.filter(pl.col("van") == "039").join(siblings, on="before", suffix="_siblings").sort("before")
    after, before = (gap["value"] - gap["value_siblings"]).to_list()
    assert before == pytest.approx(6, abs=1.2)
    assert after == pytest.approx(0, abs=1.2)


def test_a_model_year_is_off_by_the_size_it_says(made: Simulation, levels: pl.DataFrame) -> None:
    cell = deviations(made, levels, "turbo_actuator", "warm_idle").filter(pl.col("model") == "bracken")
    vans = cell.group_by("van", "cohort").agg(pl.col("value").mean())
    years = vans.group_by("cohort").agg(pl.col("value").mean()).sort("cohort")
    means = dict(zip(years["cohort"], years["value"], strict=True))
    others = np.median([v for k, v in means.items() if k != "bracken-2018"])
    assert means["bracken-2018"] - others == pytest.approx(4, abs=1.5)


def test_the_tablet_reads_low_on_the_same_vans(made: Simulation, levels: pl.DataFrame) -> None:
    cell = deviations(made, levels, "supply_voltage", "warm_idle")
    vans = cell.group_by("van", (pl.col("reader") == "tablet").alias("tablet")).agg(pl.col("value").mean())
    pairs = vans.pivot("tablet", index="van", values="value").drop_nulls()
    difference = (pairs["true"] - pairs["false"]).to_numpy()
    assert float(difference.mean()) == pytest.approx(-3, abs=0.3)


def test_open_parking_warms_the_air_and_a_guard_does_nothing(made: Simulation, levels: pl.DataFrame) -> None:
    cell = deviations(made, levels, "intake_air_temp", "warm_idle")
    means = {}
    for attribute, value in (("parking", "open"), ("windscreen_guard", "yes")):
        periods = [e for e in made.exposures if e.attribute == attribute]
        rows = pl.DataFrame(
            {
                "van": [e.van for e in periods],
                "under": [e.value == value for e in periods],
                "since": [e.since for e in periods],
                "until": [e.until for e in periods],
            }
        )
        day = pl.col("local_at").dt.date()
        held = cell.join(rows, on="van").filter(
            (day >= pl.col("since")) & (pl.col("until").is_null() | (day < pl.col("until")))
        )
        vans = held.group_by("van", "cohort", "under").agg(pl.col("value").mean())
        shares = vans.group_by("cohort", "under").agg(pl.col("value").mean()).pivot("under", index="cohort")
        both = shares.drop_nulls()
        means[attribute] = float((both["true"] - both["false"]).mean())  # type: ignore[arg-type]
    assert means["parking"] == pytest.approx(2.4, abs=0.7)
    assert abs(means["windscreen_guard"]) < 1.2


def test_a_whole_model_year_stands_above_the_limit_its_reader_prints(fleet: DemoFleet) -> None:
    scans = {row["scan_id"]: row["van"] for row in read(fleet.folder, "bench_scans_2026-04.csv")}
    by_van: dict[str, list[bool]] = {}
    for row in read(fleet.folder, "bench_readings_2026-04.csv"):
        if row["parameter"] == "air_mass_per_stroke" and row["high"] and row["scan_id"] in scans:
            by_van.setdefault(scans[row["scan_id"]], []).append(float(row["value"]) > float(row["high"]))
    outside = {van for van, above in by_van.items() if np.mean(above) > 0.5}
    year = {van for van in by_van if "007" <= van <= "018"}
    assert len(year) >= 10
    assert outside == year


# ---- physics against published figures ---------------------------------------------------------------------


def test_air_follows_the_standard_atmosphere() -> None:
    # ISO 2533: 1.225 kg/m3 at 101.325 kPa and 15 degrees C; 95.46 kPa at 500 m, 89.88 kPa at 1,000 m
    assert air_density(np.array([101.325]), np.array([15.0]))[0] == pytest.approx(1.225, abs=0.0005)
    assert standard_pressure_kpa(np.array([0.0, 500.0, 1000.0])) == pytest.approx(
        [101.325, 95.46, 89.88], abs=0.02
    )


def test_air_mass_agrees_with_pressure_temperature_and_displacement(made: Simulation) -> None:
    """Fill index = air mass / (density x displacement per cylinder): 0.55 to 0.70 with recirculation open."""
    wide = made.seen.readings.filter((pl.col("state") == "warm_idle") & (pl.col("reader") == "bench"))
    wide = wide.pivot("parameter", index=["instant", "scan"], values="value").join(made.seen.scans, on="scan")
    bracken = wide.filter(pl.col("van") < "032").drop_nulls(["charge_air_temp", "air_mass_per_stroke"])
    density = air_density(bracken["manifold_pressure"].to_numpy(), bracken["charge_air_temp"].to_numpy())
    fill = bracken["air_mass_per_stroke"].to_numpy() / (density * 2.2 / 4 * 1000)
    assert float(np.median(fill)) == pytest.approx(0.63, abs=0.02)


def test_fuel_rate_agrees_with_quantity_and_speed(made: Simulation) -> None:
    """6.0885 mg a stroke at 800 rpm on four cylinders is 0.7 L/h of diesel at 0.835 kg/L (arithmetic)."""
    assert pytest.approx(0.7, abs=1e-4) == 6.0885 * 4 / 2 * 800 * 60 / 1000 / 835
    wide = made.seen.readings.filter((pl.col("state") == "warm_idle") & (pl.col("reader") == "bench"))
    wide = wide.pivot("parameter", index="instant", values="value").drop_nulls(
        ["injection_quantity", "fuel_rate"]
    )
    litres = wide["injection_quantity"] * 4 / 2 * wide["engine_speed"] * 60 / 1000 / 835
    assert float((litres - wide["fuel_rate"]).abs().max()) < 0.05  # type: ignore[arg-type]


# ---- the files carry what was seen -------------------------------------------------------------------------


def test_bench_rows_are_tidy_and_complete(fleet: DemoFleet, made: Simulation) -> None:
    spoilt = [m.line.split(",")[:4] for m in made.scenario.malformed if m.table == "readings"]
    rows = [
        r for m in ("2025-04", "2025-10", "2026-04") for r in read(fleet.folder, f"bench_readings_{m}.csv")
    ]
    seen = made.seen.readings.filter(pl.col("reader") == "bench")
    assert len(rows) == len(seen) + len(spoilt)
    assert [list(r.values())[:4] for r in rows[-len(spoilt) :]] == spoilt
    written = np.array([float(r["value"]) for r in rows[: -len(spoilt)]])
    assert np.sort(written) == pytest.approx(np.sort(seen["value"].to_numpy()))


def handheld_rows(folder: Path) -> Iterator[dict[str, str]]:
    for path in sorted((folder / "inbox").glob("H2_????-??.csv")):
        head, rest = path.read_bytes().decode("cp1252").split("\r\n", 1)
        assert head.startswith("H2 Messwertexport")
        yield from csv.DictReader(io.StringIO(rest, newline=""), delimiter=";")


def test_the_handheld_writes_bar_and_commas(fleet: DemoFleet, made: Simulation) -> None:
    cells = [r["Raildruck Ist [bar]"] for r in handheld_rows(fleet.folder)]
    bar = [float(c.replace(",", ".")) for c in cells if c != "---"]
    rail = (pl.col("reader") == "handheld") & (pl.col("parameter") == "rail_pressure")
    seen = made.seen.readings.filter(rail)["value"].to_numpy()
    assert np.sort(bar) / 10 == pytest.approx(np.sort(seen))  # 1 bar = 0.1 MPa
    volts = [r["Batteriespannung [V]"] for r in handheld_rows(fleet.folder)]
    assert any("," in v for v in volts)
    assert not any("." in v for v in volts)


def test_the_tablet_writes_fahrenheit_psi_and_offsets(fleet: DemoFleet, made: Simulation) -> None:
    rows = []
    for path in sorted((fleet.folder / "inbox").glob("tablet_*.tsv")):
        rows += list(csv.DictReader(io.StringIO(path.read_text("utf-8"), newline=""), delimiter="\t"))
    mine = made.seen.readings.filter(pl.col("reader") == "tablet")
    for item, parameter, factor, shift in (
        ("Coolant", "coolant_temp", 1 / 1.8, -32 / 1.8),
        ("Rail", "rail_pressure", 6.894757e-3, 0.0),  # 1 psi = 6.894757 kPa
        ("Air flow", "air_mass_flow", 1 / 3.6, 0.0),
    ):
        written = np.array([float(r["reading"]) for r in rows if r["item"] == item])
        seen = mine.filter(pl.col("parameter") == parameter)["value"].to_numpy()
        assert np.sort(written * factor + shift) == pytest.approx(np.sort(seen), abs=0.01)
    offsets = {r["taken"][-6:] for r in rows}
    assert offsets == {"+00:00", "+01:00"}  # Dublin, winter and summer


def test_one_scan_came_twice_and_one_disagrees(fleet: DemoFleet) -> None:
    again = next((fleet.folder / "inbox").glob("bench_readings_b-*_again.csv"))
    copy = read(fleet.folder, again.name)
    chosen = copy[0]["scan_id"]
    first = [
        r
        for m in ("2025-04", "2025-10", "2026-04")
        for r in read(fleet.folder, f"bench_readings_{m}.csv")
        if r["scan_id"] == chosen
    ]
    differing = [(a, b) for a, b in zip(first, copy, strict=True) if a["value"] != b["value"]]
    assert [(a["parameter"], b["value"]) for a, b in differing] == [("rail_pressure", "31.4")]
    twice = next((fleet.folder / "inbox").glob("H2_* (2).csv"))
    lines = set((fleet.folder / "inbox" / f"{twice.name[:10]}.csv").read_bytes().splitlines()[2:])
    assert set(twice.read_bytes().splitlines()[2:]) < lines


def test_odometers_run_backwards_only_where_planted(made: Simulation) -> None:
    back = (
        made.seen.scans.drop_nulls("odometer_km")
        .sort("van", "local_at")
        .with_columns(pl.col("odometer_km").diff().over("van").alias("step"))
        .filter(pl.col("step") < 0)
    )
    assert sorted(back["van"]) == ["017", "033"]


def test_the_storm_is_there(fleet: DemoFleet, made: Simulation) -> None:
    storm = made.scenario.storm
    scan = next(
        r for r in read(fleet.folder, "bench_scans_2026-04.csv")
        if r["van"] == storm.van and r["scanned_at"].startswith(str(storm.on))
    )  # fmt: skip
    assert (scan["standing_days"], scan["rest_v"]) == ("9", "11.72")
    codes = [r for r in read(fleet.folder, "bench_codes_2026-04.csv") if r["scan_id"] == scan["scan_id"]]
    assert {("engine", "P0562"), ("airbag", "U0100")} <= {(r["module"], r["code"]) for r in codes}
    assert len({r["module"] for r in codes}) == 4
    low = [r for r in codes if r["ff_supply_voltage"] == "10.1"]
    assert len(low) == len(storm.codes)


def test_hostile_notes_survive_as_text(fleet: DemoFleet) -> None:
    notes = read(fleet.folder, "notes.csv")
    texts = [r["text"] for r in notes]
    assert any(t.startswith("=1+2") for t in texts)
    assert any("onerror=alert(1)" in t and "drop table" in t for t in texts)
    assert any("Türgriff" in t for t in texts)
    assert any("\n" in t for t in texts)


def test_layouts_name_columns_their_files_have(fleet: DemoFleet) -> None:
    handheld = tomllib.loads((fleet.folder / "layouts" / "handheld_h2.toml").read_text("utf-8"))
    row = next(handheld_rows(fleet.folder))
    wide = [w["column"] for w in handheld["wide"]]
    assert set(row) == set(handheld["columns"]) | set(wide)
    assert set(handheld["match"]["headers"]) <= set(row)
    tablet = tomllib.loads((fleet.folder / "layouts" / "yard_tablet.toml").read_text("utf-8"))
    path = next((fleet.folder / "inbox").glob("tablet_*.tsv"))
    header = path.read_text("utf-8").splitlines()[0].split("\t")
    named = {*tablet["columns"], *(tablet["long"][k] for k in ("parameter", "value", "unit")), "kind"}
    assert set(header) == named
    items = {line.split("\t")[header.index("item")] for line in path.read_text("utf-8").splitlines()[1:]}
    assert items - {""} <= set(tablet["long"]["labels"])


# ---- nothing leaks, nothing is borrowed --------------------------------------------------------------------


def test_no_file_tells_where_it_was_made(fleet: DemoFleet) -> None:
    places = {str(fleet.folder), str(PACKAGE), str(Path.home()), "/tmp", "/home/"}
    for path in fleet.folder.rglob("*"):
        if path.is_file():
            content = path.read_bytes()
            assert not [p for p in places if len(p) > 1 and p.encode() in content], path.name
    assert all(not Path(f.name).is_absolute() and ".." not in f.name for f in fleet.files)
    on_disk = {str(p.relative_to(fleet.folder)) for p in fleet.folder.rglob("*") if p.is_file()}
    assert {f.name for f in fleet.files} == on_disk


def test_the_package_knows_nothing_of_those_it_tests() -> None:
    for path in PACKAGE.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            assert not [n for n in names if n.split(".")[0] in {"pipeline", "dashboard"}], path.name


def test_a_misspelt_key_of_the_story_is_named() -> None:
    from demo_warehouse.scenario import _build
    from demo_warehouse.story import Note

    with pytest.raises(ValueError, match="txet"):
        _build(Note, json.loads('{"van": "001", "at": null, "who": "driver", "txet": "typo"}'))
