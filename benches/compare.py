#!/usr/bin/env python3
"""Runs the contestants of the benchmark in turn, refuses runs with wrong figures, and prints medians and ratios.

    python3 benches/compare.py DIR --repeats 3 \\
        --contestant 'duckdb=.oracle/bin/python benches/peer_duckdb.py {dir} {fresh}/peer.duckdb' \\
        --contestant 'crossfoot=sh benches/crossfoot.sh {dir} {fresh}' \\
        --check 'crossfoot=python3 benches/figures.py {fresh}/data'

The next edition, against the csv crate that reads the same file and does nothing with it:

    sh benches/crossfoot.sh DIR STATE
    python3 benches/compare.py DIR --repeats 3 --expected expected_nightly.json \\
        --contestant 'csv=target/release/bare-csv {dir}/roll_nightly.csv' --yardstick csv \\
        --contestant 'nightly=sh benches/nightly.sh {dir} {fresh} {dir}/roll_nightly.csv' \\
        --prepare 'nightly=cp -r STATE/data {fresh}/data' \\
        --check 'nightly=python3 benches/figures.py {fresh}/data'

DIR holds the files of make-roll (invented data). A contestant is NAME=COMMAND, run by sh; {dir} is DIR and {fresh} a
folder that is new and empty for each run and removed after it. The last line that the command prints, or the command
that checks it afterwards, which is not timed, must be the result as JSON with the names of expected.json; a run whose figures differ is void, and one void run fails the comparison. (Only
sum_queued_value_effect_cents may be left out, and counts that make one together may be given as one, see TOGETHER.) A
yardstick reads and gives no figures but its rows. What a contestant needs beforehand is prepared for each run and not
timed. Taken per run, from the start of sh to its end, with every process that
it waited for: wall time, user and system CPU seconds, and the largest resident set of any one process, all through
os.wait4. The input is read once beforehand, so that it is in the page cache. Contestants alternate, since a machine that
others use is not the same machine a minute later; a ratio is of medians, to the first contestant named. Standard library
only.
"""
import argparse
import json
import os
import platform
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

OPTIONAL = {"sum_queued_value_effect_cents"}
# A rejected row has no record, so that one that was mended is a new record; columns that are not mapped are not compared.
TOGETHER = {"appeared": ("new", "mended"), "not_changed_in_mapped": ("unchanged", "changed_unmapped_only")}
MEASURES = (("wall_s", "wall s", 1), ("cpu_s", "CPU s", 1), ("rss_mib", "RSS MiB", 0))


def run_once(command, prepare, check, directory, fresh_in):
    """One timed run: what it took, what it printed, and how it ended."""
    fresh = Path(tempfile.mkdtemp(prefix="fresh-", dir=fresh_in))
    line, before, after = (
        c.replace("{dir}", str(directory)).replace("{fresh}", str(fresh)) for c in (command, prepare, check)
    )
    if before:
        subprocess.run(["sh", "-c", before], check=True)
        os.sync()
    with tempfile.TemporaryFile() as output:
        started = time.perf_counter()
        process = subprocess.Popen(["sh", "-c", line], stdout=output, stdin=subprocess.DEVNULL)
        _, status, usage = os.wait4(process.pid, 0)
        wall = time.perf_counter() - started
        process.returncode = os.waitstatus_to_exitcode(status)
        output.seek(0)
        printed = output.read().decode("utf-8", "replace").strip().splitlines()
    if after and process.returncode == 0:
        asked = subprocess.run(["sh", "-c", after], stdout=subprocess.PIPE, check=True)
        printed = asked.stdout.decode("utf-8", "replace").strip().splitlines()
    size = sum(f.stat().st_size for f in fresh.rglob("*") if f.is_file())
    shutil.rmtree(fresh)
    return {
        "wall_s": round(wall, 3),
        "cpu_s": round(usage.ru_utime + usage.ru_stime, 3),
        "user_s": round(usage.ru_utime, 3),
        "system_s": round(usage.ru_stime, 3),
        "rss_mib": round(usage.ru_maxrss / 1024, 1),
        "left_on_disk_mib": round(size / 2**20, 1),
        "exit": process.returncode,
        "last_line": printed[-1] if printed else "",
    }


def together(figures):
    """Figures with the counts that make one together as one."""
    figures = dict(figures)
    for whole, parts in TOGETHER.items():
        if all(part in figures for part in parts):
            figures[whole] = sum(figures.pop(part) for part in parts)
    return figures


def faults(run, expected, yardstick):
    """Why a run is void; nothing if it is not."""
    if run["exit"] != 0:
        return [f"ended with {run['exit']}"]
    try:
        result = json.loads(run["last_line"])
        assert isinstance(result, dict)
    except (ValueError, AssertionError):
        return [f"the last line is no JSON object: {run['last_line'][:200]!r}"]
    if yardstick:
        rows = result.get("rows")
        return [] if rows == expected["rows_total"] else [f"expected {expected['rows_total']} rows, read {rows}"]
    expected, result = together(expected), together(result)
    return [
        f"{name}: expected {value}, printed {result.get(name, 'nothing')}"
        for name, value in expected.items()
        if result.get(name) != value and not (name in OPTIONAL and name not in result)
    ]


def processor():
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
        return next(line.split(":", 1)[1].strip() for line in lines if line.startswith("model name"))
    except (OSError, StopIteration):
        return platform.machine()


def table(names, runs):
    """Medians and ratios to the first contestant, as lines of a Markdown table."""
    medians = {n: {m: statistics.median(r[m] for r in runs[n]) for m, _, _ in MEASURES} for n in names}
    heads = [head for _, head, _ in MEASURES]
    yield "| contestant | runs | " + " | ".join(f"{h} | ratio" for h in heads) + " | on disk MiB |"
    yield "|---|---|" + "---|---|" * len(heads) + "---|"
    for name in names:
        cells = []
        for measure, _, digits in MEASURES:
            value, base = medians[name][measure], medians[names[0]][measure]
            cells.append(f"{value:.{digits + 1}f} | {value / base:.2f}" if base else f"{value:.{digits + 1}f} | -")
        disk = statistics.median(r["left_on_disk_mib"] for r in runs[name])
        yield f"| {name} | {len(runs[name])} | " + " | ".join(cells) + f" | {disk:.0f} |"


def main():
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("directory", type=Path)
    arguments.add_argument("--contestant", action="append", required=True, metavar="NAME=COMMAND")
    arguments.add_argument("--yardstick", action="append", default=[], metavar="NAME")
    arguments.add_argument("--prepare", action="append", default=[], metavar="NAME=COMMAND")
    arguments.add_argument("--check", action="append", default=[], metavar="NAME=COMMAND")
    arguments.add_argument("--repeats", type=int, default=3)
    arguments.add_argument("--expected", default="expected.json", help="file in DIR, for example expected_nightly.json")
    arguments.add_argument("--fresh-in", type=Path, help="where the fresh folders are made; DIR if not said")
    arguments.add_argument("--json", type=Path, help="write everything measured to this file as well")
    options = arguments.parse_args()
    contestants = dict(c.split("=", 1) for c in options.contestant)
    prepare = dict(c.split("=", 1) for c in options.prepare)
    check = dict(c.split("=", 1) for c in options.check)
    names = list(contestants)
    directory = options.directory.resolve()
    expected = json.loads((directory / options.expected).read_text(encoding="utf-8"))

    for file in directory.glob("*.csv"):
        with file.open("rb") as content:
            while content.read(1 << 22):
                pass
    runs, void = {name: [] for name in names}, 0
    for turn in range(options.repeats):
        for name in names:
            run = run_once(contestants[name], prepare.get(name, ""), check.get(name, ""), directory, options.fresh_in or directory)
            wrong = faults(run, expected, name in options.yardstick)
            took = f"{run['wall_s']:.2f} s, CPU {run['cpu_s']:.2f} s, {run['rss_mib']:.0f} MiB"
            print(f"{turn + 1}/{options.repeats} {name}: {took}{', VOID' if wrong else ''}", file=sys.stderr)
            for fault in wrong:
                print(f"    {fault}", file=sys.stderr)
            void += bool(wrong)
            if not wrong:
                runs[name].append(run)
    if void:
        sys.exit(f"{void} of {options.repeats * len(names)} runs are void: nothing to compare")

    report = {
        "directory": str(directory),
        "rows": expected.get("rows_total"),
        "houses": expected.get("houses"),
        "processor": processor(),
        "processors": os.cpu_count(),
        "load_average": os.getloadavg(),
        "contestants": {name: {"command": contestants[name], "runs": runs[name]} for name in names},
    }
    print(f"{report['rows']} rows, {report['houses']} houses; {report['processor']}, {report['processors']} processors\n")
    print("\n".join(table(names, runs)))
    if options.json:
        options.json.write_text(json.dumps(report, indent=1) + "\n", encoding="utf-8")
    medians = {
        name: {m: statistics.median(r[m] for r in runs[name]) for m, _, _ in MEASURES} for name in names
    }
    print(json.dumps({"rows": report["rows"], "houses": report["houses"], "medians": medians}))


if __name__ == "__main__":
    main()
