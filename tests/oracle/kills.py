#!/usr/bin/env python3
"""Kills crossfoot with SIGKILL at random moments of imports and reconciliations and compares what is left with an
undisturbed run, table by table.

    python3 tests/oracle/kills.py --programs target/debug --roll DIR --kills 3 [--database URL] [--seed 1]

DIR holds the files of make-roll (invented data). Without a URL the embedded database is used; with the URL of a
PostgreSQL database (postgres://USER@HOST:PORT/NAME) each trial makes databases of its own beside it. A trial begins from
a fresh copy, is killed once or several times at random moments, then let through by the same command. What is compared
holds no ids and no times. Prints one line of JSON per kind of work: how many kills there were, how many hit a running
process, and whether everything was the same; exits 1 when anything differs. Standard library only.
"""
import argparse
import hashlib
import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path

MAIN = {
    "edition": "SELECT number, state, rows_total, rows_entered, rows_repeated, rows_rejected, records_new,"
               " records_changed, records_ended, records_unchanged FROM edition ORDER BY number",
    "match": "SELECT p.reference, m.state, m.parcel_key, m.record_number, m.conflict FROM property_match m"
             " JOIN property p ON p.id = m.property ORDER BY p.reference",
    "judgement": "SELECT p.reference, j.outcome, j.kind, j.measured_um2, j.recorded_um2, j.difference_um2,"
                 " j.variance_ppm, j.sigma_sqft, j.z, j.threshold_um2, j.exceedance_ppm, j.effect_low_cents,"
                 " j.effect_high_cents, j.record_number, j.record_edition, j.edition FROM judgement j"
                 " JOIN property p ON p.id = j.property ORDER BY p.reference",
    "finding": "SELECT p.reference, f.kind, f.state, f.closing, f.difference_um2, f.variance_ppm, f.effect_high_cents,"
               " f.row_version FROM finding f JOIN property p ON p.id = f.property ORDER BY p.reference",
    "event": "SELECT p.reference, e.number, e.what, e.state FROM finding_event e JOIN finding f ON f.id = e.finding"
             " JOIN property p ON p.id = f.property ORDER BY p.reference, e.number",
    "queue": "SELECT p.reference, q.tier, q.rank_key, q.open_count FROM queue_entry q"
             " JOIN property p ON p.id = q.property ORDER BY p.reference",
    "to_judge": "SELECT p.reference FROM to_judge t JOIN property p ON p.id = t.property ORDER BY p.reference",
}
CONTENT = ("parcel_key, parcel_raw, situs, area_um2, value_cents, year_built, class, rest, content_hash, file, line,"
           " byte_start, byte_length, conflict")
RECORDS = {
    "record": f"SELECT number, since_edition, {CONTENT} FROM record ORDER BY number",
    "change": f"SELECT edition, parcel_key, what, {CONTENT} FROM record_change ORDER BY edition, parcel_key",
    "reject": "SELECT edition, line, reason, detail FROM reject ORDER BY edition, line, reason",
}


class Ground:
    """Installations: made, copied, dumped and thrown away, on either database."""

    def __init__(self, programs, url, folder):
        self.program, self.url, self.folder, self.made = Path(programs) / "crossfoot", url, Path(folder), 0

    def psql(self, sql, url=None):
        out = subprocess.run(["psql", "-X", "-A", "-t", "-q", "-v", "ON_ERROR_STOP=1", "-c", sql, url or self.url],
                             check=True, capture_output=True, text=True)
        return out.stdout

    def fresh(self, template=None):
        """A new installation, empty or a copy."""
        self.made += 1
        data = self.folder / f"data-{self.made}"
        url = ""
        if template:
            shutil.copytree(template[0], data)
        else:
            data.mkdir()
        if self.url:
            name = f"kills_{os.getpid()}_{self.made}"
            self.psql(f"CREATE DATABASE {name}" + (f" TEMPLATE {template[1].rsplit('/', 1)[1]}" if template else ""))
            url = f"{self.url.rsplit('/', 1)[0]}/{name}"
        return data, url

    def drop(self, installation):
        shutil.rmtree(installation[0])
        if self.url:
            self.psql(f"DROP DATABASE {installation[1].rsplit('/', 1)[1]} WITH (FORCE)")

    def start(self, installation, *arguments):
        data, url = installation
        environment = dict(os.environ, CROSSFOOT_LEASE_SECONDS="1")
        command = [str(self.program), "--data", str(data), "--database", url, *map(str, arguments)]
        return subprocess.Popen(command, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)

    def run(self, installation, *arguments):
        begun = time.monotonic()
        process = self.start(installation, *arguments)
        out, err = process.communicate(timeout=600)
        if process.returncode != 0:
            sys.exit(f"{arguments} ended with {process.returncode}: {out[-2000:]}{err[-2000:]}")
        return time.monotonic() - begun

    def dump(self, installation):
        """A digest and a row count for each table, and how many containers of records there are."""
        data, url = installation
        result = {}
        if url:
            for name, sql in {**MAIN, **RECORDS}.items():
                text = self.psql(sql, url)
                result[name] = (text.count("\n"), hashlib.sha256(text.encode()).hexdigest())
            tables = self.psql("SELECT count(*) FROM pg_class WHERE relkind = 'r' AND relname LIKE 'record\\_s%'", url)
            result["containers"] = int(tables)
            return result
        main_file = sqlite3.connect(data / "crossfoot.db")
        containers = sorted((data / "sources").glob("*.db"))
        result["containers"] = len(containers)
        current = main_file.execute("SELECT container FROM source WHERE container IS NOT NULL").fetchall()
        files = [(main_file, MAIN)] + [(sqlite3.connect(data / "sources" / name), RECORDS) for (name,) in current]
        for file, queries in files:
            for name, sql in queries.items():
                digest, rows = hashlib.sha256(), 0
                for row in file.execute(sql):
                    digest.update(repr(row).encode())
                    rows += 1
                result[name] = (rows, digest.hexdigest())
            file.close()
        return result


def trial(ground, template, arguments, seconds, kills, chance):
    """Kills a command so many times at random moments, lets it through, and gives the dump and the hits."""
    installation, hits = ground.fresh(template), 0
    for _ in range(kills):
        process = ground.start(installation, *arguments)
        time.sleep(chance.uniform(0.02, seconds))
        if process.poll() is None:
            hits += 1
            process.send_signal(signal.SIGKILL)
        process.communicate()
    ground.run(installation, *arguments)
    dump = ground.dump(installation)
    ground.drop(installation)
    return dump, hits


def main():
    """Undisturbed first, then the trials."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--programs", required=True)
    options.add_argument("--roll", required=True, type=Path)
    options.add_argument("--kills", type=int, default=3, help="trials for each kind of work; one in three is killed three times")
    options.add_argument("--database", default="")
    options.add_argument("--seed", type=int, default=1)
    given = options.parse_args()
    chance, roll = random.Random(given.seed), given.roll
    layout = ("--layout", roll / "layout.toml")
    first = ("import", "roll", roll / "roll.csv", *layout)
    later = ("import", "roll", roll / "roll_nightly.csv", *layout)
    same = True
    with tempfile.TemporaryDirectory(prefix="kills-") as folder:
        ground = Ground(given.programs, given.database, folder)
        bare = ground.fresh()
        ground.run(bare, "policy", "set", roll / "policy.toml")
        ground.run(bare, "import", "houses", roll / "houses.csv")
        loaded = ground.fresh(bare)
        took = {"first import": ground.run(loaded, *first)}
        judged = ground.fresh(loaded)
        took["reconcile"] = ground.run(judged, "reconcile")
        night = ground.fresh(judged)
        took["later import"] = ground.run(night, *later)
        after = ground.fresh(night)
        took["nightly reconcile"] = ground.run(after, "reconcile", "--release")
        for name, template, arguments, undisturbed in (
            ("first import", bare, first, loaded),
            ("reconcile", loaded, ("reconcile",), judged),
            ("later import", judged, later, night),
            ("nightly reconcile", night, ("reconcile", "--release"), after),
        ):
            expected, hits, killed, differing = ground.dump(undisturbed), 0, 0, set()
            for number in range(given.kills):
                times = 3 if number % 3 == 2 else 1
                dump, hit = trial(ground, template, arguments, took[name], times, chance)
                hits, killed = hits + hit, killed + times
                differing |= {table for table in expected if dump.get(table) != expected[table]}
            rows = {table: value[0] for table, value in expected.items() if isinstance(value, tuple) and value[0]}
            print(json.dumps({"work": name, "database": "postgres" if given.database else "sqlite",
                              "undisturbed_s": round(took[name], 2), "kills": killed, "hit_while_running": hits,
                              "differing": sorted(differing), "rows": rows}), flush=True)
            same = same and not differing and hits > 0
        for installation in (bare, loaded, judged, night, after):
            ground.drop(installation)
    sys.exit(0 if same else 1)


if __name__ == "__main__":
    main()
