#!/usr/bin/env python3
"""The list pages against their floor: requests a second and latency on 1,000,000 findings, on both databases.

    cargo build --release --workspace --bins && apt-get install wrk
    python3 benches/lists.py DIR [--rows 1000000] [--repeats 3] [--seconds 8] [--connections 4] [--only sqlite]

Contestants: `crossfoot serve` (access key, rate limit, idempotency, log, headers and all; the rate limit set out of
reach by --requests-a-minute) and `bare-list`, the same statements behind a bare axum handler. Both answer on the same
database in the same run; before anything is measured, their pages must hold the same items, otherwise the run is void.
Then wrk (one thread, keep-alive) asks them in turn; printed are medians of the repeats and the ratio to the floor.
DIR keeps the embedded database, made by make_findings.py if it is not there; the PostgreSQL is one of the tests' own
and is filled each time. Standard library only.
"""
import argparse
import base64
import json
import os
import re
import sqlite3
import statistics
import subprocess
import sys
import urllib.request
from pathlib import Path

HERE = Path(__file__).resolve().parent
RELEASE = HERE.parent / "target/release"
OUT_OF_REACH = "4000000000"
PAGE = 50
DEEP = "SELECT tier, rank_key, property FROM queue_entry ORDER BY tier, rank_key DESC, property LIMIT 1 OFFSET {}"


def cursor(place):
    return base64.urlsafe_b64encode(json.dumps(place, separators=(",", ":")).encode()).decode().rstrip("=")


def lists(rows, deep):
    """What is asked: a name, the path at the service, and the path at the floor."""
    tier, rank_key, place = deep
    after = f"01a00000-0000-7000-8000-{rows * 9 // 10:012x}"
    queued = {"tier": int(tier), "rank_key": int(rank_key), "property": place}
    yield "findings, first page", "/v1/findings?", "/findings?"
    yield "findings, page at nine tenths", f"/v1/findings?cursor={cursor(after)}&", f"/findings?after={after}&"
    for name, state, source, share in (
        ("findings, open, one source, 30 % and more", "open", 2, 0.3),
        ("findings, confirmed, rare source, 50 % and more", "confirmed", 3, 0.5),
        ("findings, referred, any source", "referred", None, None),
    ):
        ours, bare = f"state={state}&", f"state={state}&"
        if source:
            ours += f"source=roll-{source}&"
            bare += f"source={source}&"
        if share:
            ours += f"variance_min={share}&"
            bare += f"variance_ppm_min={round(share * 1e6)}&"
        yield name, f"/v1/findings?{ours}", f"/findings?{bare}"
    yield "queue, first page", "/v1/queue?", "/queue?"
    yield (
        "queue, page at three quarters",
        f"/v1/queue?cursor={cursor(queued)}&",
        f"/queue?tier={tier}&rank_key={rank_key}&property={place}&",
    )


class Program:
    """A program that prints where it listens, ended with the block."""

    def __init__(self, *words):
        self.process = subprocess.Popen(
            [str(word) for word in words], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
        )
        self.said = self.process.stdout.readline().strip()
        if not self.said:
            raise SystemExit(f"{words[0]} did not start")

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.process.stdin.close()
        self.process.terminate()
        self.process.wait()

    @property
    def address(self):
        return "http://" + self.said.rsplit("//", 1)[1]


def items(url, key):
    request = urllib.request.Request(url, headers={"Authorization": f"Bearer {key}"})
    with urllib.request.urlopen(request) as answer:
        return json.load(answer)["items"]


def milliseconds(text):
    number, unit = re.fullmatch(r"([\d.]+)(us|ms|s)", text).groups()
    return float(number) * {"us": 0.001, "ms": 1, "s": 1000}[unit]


def load(url, key, options):
    """One run of wrk: requests a second, median and 99th percentile in milliseconds."""
    command = ["wrk", "-t1", f"-c{options.connections}", f"-d{options.seconds}s", "--latency"]
    out = subprocess.run(
        [*command, "-H", f"Authorization: Bearer {key}", url], check=True, capture_output=True, text=True
    ).stdout
    if "Non-2xx" in out or "Socket errors" in out:
        raise SystemExit(f"{url}: the run is void:\n{out}")
    wanted = (r"^Requests/sec:\s+(\S+)", r"^\s+50%\s+(\S+)", r"^\s+99%\s+(\S+)")
    found = [re.search(pattern, out, re.MULTILINE).group(1) for pattern in wanted]
    return float(found[0]), milliseconds(found[1]), milliseconds(found[2])


def measure(backend, data, url, key, deep, options):
    floor_at = url or data / "crossfoot.db"
    serve = [RELEASE / "crossfoot", "--log", "warn", "--data", data, "--database", url, "serve"]
    flags = ["--port", "0", "--jobs", "no", "--requests-a-minute", OUT_OF_REACH]
    with Program(*serve, *flags) as ours, Program(RELEASE / "bare-list", floor_at, "0") as bare:
        for name, at_ours, at_bare in lists(options.rows, deep):
            contestants = {"ours": ours.address + at_ours, "floor": bare.address + at_bare}
            contestants = {name: f"{path}limit={PAGE}" for name, path in contestants.items()}
            pages = {contestant: items(path, key) for contestant, path in contestants.items()}
            if pages["ours"] != pages["floor"] or not pages["ours"]:
                raise SystemExit(f"{backend}, {name}: the pages differ or are empty: void")
            runs = {"ours": [], "floor": []}
            for turn in range(options.repeats + 1):
                for contestant, path in contestants.items():
                    run = load(path, key, options)
                    if turn:  # the first warms up
                        runs[contestant].append(run)
            ours_rate, ours_50, ours_99 = map(statistics.median, zip(*runs["ours"], strict=True))
            floor_rate, _, floor_99 = map(statistics.median, zip(*runs["floor"], strict=True))
            print(
                f"| {backend} | {name} | {len(pages['ours'])} | {ours_rate:,.0f} | {floor_rate:,.0f} |"
                f" {ours_rate / floor_rate:.2f} | {ours_50:.1f} | {ours_99:.1f} | {floor_99:.1f} |",
                flush=True,
            )


def fill(data, url, options):
    command = [sys.executable, HERE / "make_findings.py", data, "--rows", str(options.rows), "--database", url]
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout.strip().splitlines()[-1]


def main():
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("directory", type=Path)
    arguments.add_argument("--rows", type=int, default=1_000_000)
    arguments.add_argument("--repeats", type=int, default=3)
    arguments.add_argument("--seconds", type=int, default=8)
    arguments.add_argument("--connections", type=int, default=4)
    arguments.add_argument("--only", choices=("sqlite", "postgres"))
    options = arguments.parse_args()
    directory = options.directory.resolve()
    print(f"{options.rows} findings, {options.connections} connections, load {os.getloadavg()[0]:.1f} at the beginning\n")
    print("| database | list | items | req/s | floor | ratio | p50 ms | p99 ms | floor p99 ms |")
    print("|---|---|---|---|---|---|---|---|---|")
    deep_at = DEEP.format(options.rows * 6 // 10)
    if options.only != "postgres":
        data, kept = directory / f"sqlite-{options.rows}", directory / f"sqlite-{options.rows}.key"
        if not kept.is_file():
            kept.parent.mkdir(parents=True, exist_ok=True)
            kept.write_text(fill(data, "", options), encoding="utf-8")
        database = sqlite3.connect(data / "crossfoot.db")
        deep = database.execute(deep_at).fetchone()
        database.close()
        measure("SQLite", data, "", kept.read_text(encoding="utf-8"), deep, options)
    if options.only != "sqlite":
        with Program(RELEASE / "crossfoot-testbed") as server:
            data = directory / "postgres"
            key = fill(data, server.said, options)
            asked = ["psql", "-qAt", "-F", " ", "-c", deep_at, server.said]
            deep = subprocess.run(asked, check=True, capture_output=True, text=True).stdout.split()
            measure("PostgreSQL", data, server.said, key, deep, options)


if __name__ == "__main__":
    main()
