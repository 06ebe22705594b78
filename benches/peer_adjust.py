#!/usr/bin/env python3
"""The peer of measure-houses: the same houses adjusted with NumPy, as one would write it per house.

    target/release/measure-houses --houses 3000 --threads 1 --out houses.jsonl
    OPENBLAS_NUM_THREADS=1 .oracle/bin/python benches/peer_adjust.py houses.jsonl

Readings of a distance are combined with their covariance; conditions and derivatives are built as dense matrices over
all walls at once; M = B D B', residuals, covariance and standardised residuals follow, and the three areas with their
standard deviations from readings and scale. No search for suspects, no advice, no check of the notes or of the shapes:
those are ours alone. Lengths are read from text before the clock starts. Every area and standard deviation must agree
with ours to 1e-6 of itself, otherwise the script fails. The answer is a line of JSON.
"""

import json
import sys
import time

import numpy as np

AGREES = 1e-6
ROUNDS_MAX = 60
STILL = 1e-11
FEET = {"mm": 1 / 304.8, "m": 1 / 0.3048, "in": 1 / 12, "ft": 1.0}
READING_SD_FT = {"laser": 0.125 / 12, "tape": 0.25 / 12, "long_tape": 0.5 / 12}
SCALE_SD = {"laser": 50e-6, "tape": 120e-6, "long_tape": 120e-6}
DIRECTION_SD_DEGREES = 0.2
UNITS = {"north": (0.0, 1.0), "east": (1.0, 0.0), "south": (0.0, -1.0), "west": (-1.0, 0.0)}


def feet(text):
    number, unit = text.split()
    return float(number) * FEET[unit]


def with_feet(house):
    """Replaces lengths written as text by feet."""
    notes = house["notes"]
    for instrument in notes["instruments"]:
        if instrument["rounded_to"] is not None:
            instrument["rounded_to"] = feet(instrument["rounded_to"])
    distances = [tie["distance"] for tie in notes["ties"]]
    for wall in notes["walls"]:
        distances.append(wall["length"])
        if "run_and_rise" in wall["direction"]:
            distances += [leg["distance"] for leg in wall["direction"]["run_and_rise"].values()]
    for distance in distances:
        for reading in distance["readings"]:
            for piece in reading["pieces"]:
                piece["length"] = feet(piece["length"])
    return house


class Network:
    """Quantities and the walls that follow from them."""

    def __init__(self, notes):
        self.instruments = {one["name"]: (at, one) for at, one in enumerate(notes["instruments"])}
        self.values, self.variances, self.by_instrument = [], [], []
        names = {wall["name"]: at for at, wall in enumerate(notes["walls"])}
        self.count = len(names)
        polar, legs = [], []
        for at, wall in enumerate(notes["walls"]):
            direction = wall["direction"]
            if "compass" in direction:
                east, north = UNITS[direction["compass"]["toward"]]
                length = self.distance(wall["length"])
                polar.append((at, length, self.quantity(0.0, np.radians(DIRECTION_SD_DEGREES) ** 2), east, north))
            else:
                run, rise = direction["run_and_rise"]["run"], direction["run_and_rise"]["rise"]
                east, north = UNITS[run["toward"]][0], UNITS[rise["toward"]][1]
                legs.append((at, self.distance(run["distance"]), self.distance(rise["distance"]), east, north))
        self.polar = [np.array(column) for column in zip(*polar)]
        self.legs = [np.array(column) for column in zip(*legs)]
        # One row a corner, then one for the end of the walk: which walls lead there from the origin.
        self.paths = {}
        for outline in notes["outlines"]:
            begin = outline["from"]
            path = self.paths[begin["outline"]][begin["corner"]].copy() if begin else np.zeros(self.count)
            for walk in outline["way"]:
                path[names[walk["wall"]]] += -1.0 if walk["backwards"] else 1.0
            rows = [path]
            for walk in outline["walls"]:
                path = path.copy()
                path[names[walk["wall"]]] += -1.0 if walk["backwards"] else 1.0
                rows.append(path)
            self.paths[outline["name"]] = np.array(rows)
        self.rings = list(self.paths.values())
        self.loops = np.array([rows[-1] - rows[0] for rows in self.rings])
        corner = lambda end: self.paths[end["outline"]][end["corner"]]
        self.ties = [(self.distance(tie["distance"]), corner(tie["to"]) - corner(tie["from"]), tie["along"])
                     for tie in notes["ties"]]
        self.observed, self.variance = np.array(self.values), np.array(self.variances)

    def quantity(self, value, variance, by_instrument=()):
        self.values.append(value)
        self.variances.append(variance)
        self.by_instrument.append(by_instrument)
        return len(self.values) - 1

    def distance(self, distance):
        """The readings as one quantity; readings rounded to the same step share its error."""
        lengths, own, rounding, used = [], [], [], []
        for reading in distance["readings"]:
            (piece,) = reading["pieces"]
            at, instrument = self.instruments[piece["instrument"]]
            lengths.append(piece["length"])
            own.append(READING_SD_FT[instrument["kind"]] ** 2)
            rounding.append((instrument["rounded_to"] or 0.0) ** 2 / 12)
            used.append(at)
        lengths, rounding = np.array(lengths), np.array(rounding)
        covariance = np.where(rounding[:, None] == rounding, rounding[:, None], 0.0)
        weights = np.linalg.inv(covariance + np.diag(own)).sum(axis=1)
        total = weights.sum()
        weights /= total
        return self.quantity(weights @ lengths, 1 / total, list(zip(used, weights * lengths)))

    def steps(self, x):
        """East and north of every wall, and their derivatives by quantity."""
        east, north = np.zeros(self.count), np.zeros(self.count)
        by_east, by_north = np.zeros((self.count, x.size)), np.zeros((self.count, x.size))
        wall, length, turn, unit_east, unit_north = self.polar
        sine, cosine = np.sin(x[turn]), np.cos(x[turn])
        along_east, along_north = unit_east * cosine - unit_north * sine, unit_east * sine + unit_north * cosine
        east[wall], north[wall] = x[length] * along_east, x[length] * along_north
        by_east[wall, length], by_north[wall, length] = along_east, along_north
        by_east[wall, turn], by_north[wall, turn] = -north[wall], east[wall]
        if self.legs:
            wall, run, rise, unit_east, unit_north = self.legs
            east[wall], north[wall] = unit_east * x[run], unit_north * x[rise]
            by_east[wall, run], by_north[wall, rise] = unit_east, unit_north
        return east, north, by_east, by_north

    def conditions(self, x):
        east, north, by_east, by_north = self.steps(x)
        values = [self.loops @ east, self.loops @ north]
        slopes = [self.loops @ by_east, self.loops @ by_north]
        for quantity, path, along in self.ties:
            over, up = path @ east, path @ north
            distance, unit = {
                "straight": lambda: (np.hypot(over, up), (over / np.hypot(over, up), up / np.hypot(over, up))),
                "east_west": lambda: (abs(over), (np.sign(over), 0.0)),
                "north_south": lambda: (abs(up), (0.0, np.sign(up))),
            }[along]()
            slope = -(unit[0] * (path @ by_east) + unit[1] * (path @ by_north))
            slope[quantity] += 1.0
            values.append([x[quantity] - distance])
            slopes.append(slope[None, :])
        return np.concatenate(values), np.concatenate(slopes)


def adjust(network):
    """Adjusted values, their covariance, their derivatives by observed value, and standardised residuals."""
    observed, variance = network.observed, network.variance
    x, share, before = observed, 1.0, np.inf
    for _ in range(ROUNDS_MAX):
        values, slope = network.conditions(x)
        weighted = slope * variance
        inverse = np.linalg.inv(weighted @ slope.T)
        residuals = -weighted.T @ (inverse @ (values + slope @ (observed - x)))
        change = observed + residuals - x
        size = np.abs(change).max()
        if size < STILL * (1 + np.abs(x).max()):
            break
        share *= 0.5 if size > 0.9 * before else 1.0
        before, x = size, x + share * change
    else:
        raise ArithmeticError("does not settle")
    influence = np.eye(x.size) - weighted.T @ inverse @ slope
    covariance = influence * variance
    spread = np.sqrt(np.maximum(variance - np.diag(covariance), 0.0))
    standardised = np.divide(residuals, spread, out=np.zeros(x.size), where=spread > 1e-3 * np.sqrt(variance))
    return observed + residuals, covariance, influence, standardised


def areas(house):
    """The house's area statements: area, standard deviation by readings, and by scale."""
    network = Network(house["notes"])
    x, covariance, influence, _ = adjust(network)
    east, north, by_east, by_north = network.steps(x)
    rings = []
    for rows in network.rings:
        corners = rows[:-1]
        a, b = corners @ east, corners @ north
        signed = np.sum(a * np.roll(b, -1) - np.roll(a, -1) * b) / 2
        slope = ((np.roll(b, -1) - np.roll(b, 1)) / 2 @ corners @ by_east
                 + (np.roll(a, 1) - np.roll(a, -1)) / 2 @ corners @ by_north)
        rings.append((abs(signed), np.sign(signed) * slope))
    scales = [SCALE_SD[one["kind"]] for one in house["notes"]["instruments"]]
    found = []
    for statement in house["areas"]:
        area = sum(weight * rings[at][0] for at, weight in statement["shares"])
        slope = sum(weight * rings[at][1] for at, weight in statement["shares"])
        followed, effects = slope @ influence, np.zeros(len(scales))
        for by, used in zip(followed, network.by_instrument):
            for instrument, read in used:
                effects[instrument] += by * read * scales[instrument]
        found.append((area, np.sqrt(max(slope @ covariance @ slope, 0.0)), np.sqrt(effects @ effects)))
    return found


def main():
    with open(sys.argv[1], encoding="utf-8") as file:
        houses = [with_feet(json.loads(line)) for line in file]
    begun, processor = time.perf_counter(), time.process_time()
    found = [areas(house) for house in houses]
    seconds, processor = time.perf_counter() - begun, time.process_time() - processor
    worst = 0.0
    for house, theirs in zip(houses, found):
        for ours, figures in zip(house["areas"], theirs):
            wanted = (ours["area_sqft"], ours["readings_sd_sqft"], ours["scale_sd_sqft"])
            worst = max(worst, *(abs(one - other) / abs(one) for one, other in zip(wanted, figures)))
    print(json.dumps({
        "houses": len(houses),
        "seconds": seconds,
        "processor_seconds": processor,
        "houses_per_second": len(houses) / seconds,
        "worst_relative_difference": worst,
    }))
    if not worst < AGREES:
        sys.exit(f"figures differ from ours by {worst} of themselves")


if __name__ == "__main__":
    main()
