"""How long a build takes: against a bare script of the same work, with nothing new, with one new scan.

    python tests/benchmarks/build_speed.py [MILLION_READINGS] [--folder DIR] [--threads N]

Fills the raw store of an invented fleet by SQL (60 vans, weekly scans, 20 readings a moment), then
times the models with stand-ins for the computed tables, so that the SQL alone is seen; chain_speed.py
times the commands with all statistics. Prints seconds on the clock and of the processors, and ratios;
the clock suffers from whatever else runs, the processors' seconds hardly do.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import duckdb

sys.path.insert(0, str(Path(__file__).parents[2]))
from pipeline.settings import Home
from pipeline.warehouse import checks, models, publish, raw, runner, words
from pipeline.warehouse.engines import DuckDB
from tests.warehouse import small_fleet

VANS, INSTANTS = 60, 64
PARAMETERS = (
    "engine_speed", "vehicle_speed", "coolant_temp", "pedal_position", "engine_load", "run_time", "rail_pressure",
    "air_mass_per_stroke", "air_mass_flow", "manifold_pressure", "barometric_pressure", "egr_position",
    "egr_command", "rail_regulator_duty", "injection_quantity", "fuel_rate", "oil_temp", "intake_air_temp",
    "supply_voltage", "throttle_flap",
)  # fmt: skip


def chance(*parts: object) -> str:
    """SQL for a number between 0 and 1 that depends on `parts` alone."""
    return f"(cast(hash({', '.join(map(str, parts))}) % 1000003 as double) / 1000003)"


def fill(home: Home, million: float, vans: int = VANS, instants: int = INSTANTS) -> int:
    """Fill the raw store with about `million` readings in batches of ten weeks; return how many."""
    weeks = max(1, round(million * 1e6 / (vans * instants * len(PARAMETERS))))
    with raw.open_work(home) as connection:
        words.write(connection, home.settings)
        connection.execute(f"""insert into raw.vans by name
            select 1 as batch_id, 'f1' as file_id, v + 2 as line, printf('%03d', v) as van,
                'Tarnwell' as make, 'Bracken 22' as model, 2012 + v % 6 as model_year,
                case when v % 2 = 0 then '2.2D' else '2.0D' end as engine
            from range({vans}) as t(v)""")
        connection.execute(f"""insert into raw.scans by name
            select 1 + s // 10 as batch_id, 'fs' || (s // 10) as file_id, v * 1000 + s as line,
                's-' || v || '-' || s as scan_id, printf('%03d', v) as van,
                case when {chance("v", "s", 1)} < 0.5 then 'Blue handheld' else 'Yard tablet' end as reader,
                timestamp '2021-03-01 08:00:00' + interval (s * 7) day + interval (v) minute as scanned_at,
                100000 + s * 400.0 + v as odometer_km, 12.3 + 0.4 * {chance("v", "s", 2)} as rest_v,
                true as coverage_known
            from range({weeks}) as t(s), range({vans}) as u(v)""")
        names = ", ".join(f"({n}, '{p}')" for n, p in enumerate(PARAMETERS))
        for batch in range(1, 2 + (weeks - 1) // 10):
            _fill_batch(connection, batch, names, instants)
        connection.execute("""insert into raw.files by name
            select distinct batch_id, file_id, file_id as file, 'scans' as table_name,
                timestamp '2026-06-01' as loaded_at from raw.scans""")
        return int(connection.execute("select count(*) from raw.readings").fetchall()[0][0])


def _fill_batch(connection: duckdb.DuckDBPyConnection, batch: int, names: str, instants: int) -> None:
    connection.execute(f"""insert into raw.readings by name
        with moments as (
            select s.*, k, k * 4 // {instants} as phase, epoch(s.scanned_at) + k * 2 as at_s
            from raw.scans as s, range({instants}) as t(k) where s.batch_id = {batch}
        )
        select batch_id, 'r' || file_id as file_id, row_number() over () as line, scan_id,
            make_timestamp(cast(at_s * 1000000 as bigint)) as "at", at_s, parameter, 'ok' as quality,
            round(case parameter
                when 'engine_speed' then case phase when 0 then 0 when 1 then 900 when 2 then 800 else 2500 end
                    + case when phase = 0 then 0 else 40 * {chance("scan_id", "k", 5)} end
                when 'vehicle_speed' then 0
                when 'coolant_temp' then case phase when 0 then 30 when 1 then 45 else 86 end
                    + 4 * {chance("scan_id", "k", 6)}
                when 'pedal_position' then case when phase = 3 then 30 else 0 end
                when 'engine_load' then 20 + 10 * {chance("scan_id", "k", 7)}
                when 'run_time' then case when phase > 1 then 900 else k end
                when 'injection_quantity' then 6 + {chance("scan_id", "k", 8)}
                else 10 * n + 3 * {chance("van", "n", 9)} + {chance("scan_id", "k", "n", 10)} end, 2) as value,
            case when parameter = 'rail_pressure' then 55.0 end as low,
            case when parameter = 'rail_pressure' then 75.0 end as high
        from moments, (values {names}) as p(n, parameter)""")


SIGNALS = ("engine_speed", "vehicle_speed", "coolant_temp", "pedal_position", "engine_load", "run_time")
CARRY = "last_value({0} ignore nulls) over w as {0}"
BARE = [
    """create table bare.scans as select reader || '/' || scan_id as scan_key, scan_id, van, reader, scanned_at,
        cast(date_trunc('month', scanned_at) as date) as scan_month from raw.scans""",
    """create table bare.several as select scan_id from raw.readings
        group by scan_id having min(file_id) <> max(file_id)""",
    f"""create table bare.instants as
        with pivoted as (
            select s.scan_key, r.at_s, {", ".join(f"max(case when parameter = '{p}' then value end) as {p}" for p in SIGNALS)}
            from raw.readings as r join bare.scans as s on r.scan_id = s.scan_id
            where r.quality = 'ok' group by s.scan_key, r.at_s
        ), carried as (
            select scan_key, at_s, {", ".join(CARRY.format(p) for p in SIGNALS)},
                (vehicle_speed - lag(vehicle_speed) over (partition by scan_key order by at_s)) / 3.6
                / (at_s - lag(at_s) over (partition by scan_key order by at_s)) as acceleration
            from pivoted window w as (partition by scan_key order by at_s range between 5.0 preceding and current row)
        )
        select scan_key, at_s, case
            when engine_speed is null then 'unknown'
            when engine_speed <= 50 then 'engine_off'
            when engine_speed < 500 then 'cranking'
            when vehicle_speed >= 15 and engine_speed >= 1000 and pedal_position <= 2 and engine_load <= 8 then 'overrun'
            when acceleration >= 0.4 and pedal_position >= 15 then 'acceleration'
            when engine_load >= 85 and vehicle_speed > 1 then 'acceleration'
            when vehicle_speed >= 30 and abs(acceleration) <= 0.3 and engine_load between 10 and 75 then 'steady_cruise'
            when vehicle_speed <= 1 and pedal_position <= 2 and engine_speed between 600 and 1100 and coolant_temp < 60
                then 'cold_idle'
            when vehicle_speed <= 1 and pedal_position <= 2 and engine_speed between 600 and 1100 and coolant_temp < 75
                then 'warming_idle'
            when vehicle_speed <= 1 and pedal_position <= 2 and engine_speed between 600 and 1100
                and coolant_temp < 105 and run_time >= 300 then 'warm_idle'
            when vehicle_speed <= 1 and engine_speed > 1100 then 'raised_idle'
            else 'other' end as state
        from carried""",
    """create table bare.scan_values as
        select s.scan_month, s.scan_key, r.parameter, coalesce(r.state, i.state) as state, median(value) as value,
            min(value) as value_min, max(value) as value_max, count(*) as n_rows, median(low) as low,
            median(high) as high, count(case when value > high or value < low then 1 end) as n_outside
        from raw.readings as r join bare.scans as s on r.scan_id = s.scan_id
        join bare.instants as i on i.scan_key = s.scan_key and i.at_s = r.at_s
        where r.quality = 'ok' group by all""",
    """create table bare.van_levels as
        select s.van, v.parameter, v.state, avg(v.value) as y, var_samp(v.value) as s2, count(*) as m
        from bare.scan_values as v join bare.scans as s on v.scan_key = s.scan_key
        where date_diff('day', s.scanned_at::date, (select max(scanned_at)::date from bare.scans)) <= 365 group by all""",
    "attach '{file}' as bare_marts",
    """create table bare_marts.scan_levels as select v.*, s.van, s.reader, s.scanned_at
        from bare.scan_values as v join bare.scans as s on v.scan_key = s.scan_key""",
    "create table bare_marts.van_levels as from bare.van_levels",
    "detach bare_marts",
]


def run_bare(home: Home, threads: int) -> None:
    """The same work as a plain script: rules written out, nothing remembered, nothing checked."""
    with raw.open_work(home, threads) as connection:
        connection.execute("drop schema if exists bare cascade")
        connection.execute("create schema bare")
        file = home.warehouse / "bare.duckdb"
        file.unlink(missing_ok=True)
        for sql in BARE:
            connection.execute(sql.replace("{file}", str(file)))


def run_same_sql(home: Home, threads: int) -> None:
    """The models' own SQL one after another into a schema of its own: no state, no checks, no publishing."""
    plan = {m.name: m for m in models.load()}
    nodes: dict[str, models.Model | runner.Computed] = {**plan, **small_fleet.steps()}
    with raw.open_work(home, threads) as connection:
        engine = DuckDB(connection)
        words.write(connection, home.settings)
        for name in runner.arrange(nodes):
            node = nodes[name]
            if isinstance(node, runner.Computed):
                node.run(engine)
            else:
                connection.execute(f"create or replace {node.kind} {name} as {node.text}")


def run_models(home: Home, threads: int, parts: dict[str, float]) -> list[runner.Step]:
    """Open, build, check and publish; `parts` takes the seconds of each."""
    started = time.perf_counter()

    def mark(name: str) -> None:
        nonlocal started
        parts[name] = time.perf_counter() - started
        started = time.perf_counter()

    with raw.open_work(home, threads) as connection:
        words.write(connection, home.settings)
        engine, plan = DuckDB(connection), models.load()
        mark("open")
        checking = checks.Checking(plan, engine.unpublished())
        with publish.drafting(engine, plan, home.warehouse) as draft:
            after = [*checking.work(), *draft.work()]
            done = runner.build(engine, plan, small_fleet.steps(), after=after)
            mark("build, check, copy")
            draft.hand_over({"build_id": "bench"}, checking.results())
        mark("publish")
    mark("close")
    return done


def add_scan(home: Home) -> None:
    """One more scan of one van, an hour after the newest, with the readings of an old one."""
    with raw.open_work(home) as connection:
        batch = raw.next_batch(connection)
        connection.execute(f"""insert into raw.files by name
            select {batch} as batch_id, 'n{batch}' as file_id, 'n{batch}' as file, 'scans' as table_name,
                timestamp '2026-06-01' as loaded_at""")
        connection.execute(f"""insert into raw.scans by name
            select {batch} as batch_id, 'n{batch}' as file_id, 2 as line, 'n-{batch}' as scan_id, '007' as van,
                'Blue handheld' as reader, max(scanned_at) + interval 1 hour as scanned_at,
                max(odometer_km) filter (where van = '007') + 10 as odometer_km, true as coverage_known
            from raw.scans""")
        connection.execute(f"""insert into raw.readings
            select * replace ({batch} as batch_id, 'n{batch}' as file_id, 'n-{batch}' as scan_id)
            from raw.readings where scan_id = 's-7-0'""")


def timed(name: str, work: Callable[[], object]) -> tuple[float, float]:
    """Run it, print and return its seconds on the clock and of the processors."""
    clock, busy = time.perf_counter(), time.process_time()
    work()
    clock, busy = time.perf_counter() - clock, time.process_time() - busy
    sys.stdout.write(f"{name:38s}{clock:8.2f} s clock{busy:8.2f} s processors\n")
    sys.stdout.flush()
    return clock, busy


def compare(home: Home) -> None:
    """The bare script and the models have to agree on every scan value."""
    with raw.open_work(home) as connection:
        wrong, n = connection.execute("""
            select count(*) filter (where a.value is distinct from b.value), count(*)
            from bare.scan_values as a full join
                (from int_scan_values where parameter <> 'battery_rest_voltage') as b
                on a.scan_key = b.scan_key and a.parameter = b.parameter and a.state = b.state
        """).fetchall()[0]
    if wrong:
        raise SystemExit(f"the bare script and the models differ in {wrong} of {n} scan values")
    sys.stdout.write(f"bare script and models agree on {n:,} scan values\n")


def main() -> None:
    """Fill, time, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("million", nargs="?", type=float, default=2.0)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--threads", type=int, default=2)
    given = parser.parse_args()
    folder = given.folder or Path(tempfile.mkdtemp(prefix="kinbay-speed-"))
    home, parts = Home(folder), dict[str, float]()
    sys.stdout.write(f"{fill(home, given.million):,} readings, {given.threads} threads\n")
    bare = timed("bare script, rules written out", lambda: run_bare(home, given.threads))
    same = timed("the models' SQL without the runner", lambda: run_same_sql(home, given.threads))
    full = timed("full build, checked and published", lambda: run_models(home, given.threads, parts))
    sys.stdout.write("   " + ", ".join(f"{k} {v:.2f}" for k, v in parts.items()) + "\n")
    whole = dict(parts)
    compare(home)
    nothing = timed("nothing new", lambda: run_models(home, given.threads, parts))
    scans = []
    for _ in range(3):
        add_scan(home)
        scans.append(timed("one new scan", lambda: run_models(home, given.threads, parts)))
        sys.stdout.write("   " + ", ".join(f"{k} {v:.2f}" for k, v in parts.items()) + "\n")
    one = min(scans)
    build = full[1] * (whole["open"] + whole["build"]) / sum(whole.values())
    sys.stdout.write(
        f"full / bare script       {full[0] / bare[0]:.2f} (clock) {full[1] / bare[1]:.2f} (processors)\n"
        f"full / its own SQL       {full[0] / same[0]:.2f} (clock) {full[1] / same[1]:.2f} (processors),"
        f" about {build / same[1]:.2f} without checks and publishing\n"
        f"one new scan / full      {one[0] / full[0]:.3f}; nothing new {nothing[0]:.2f} s\n"
    )
    if not given.folder:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
