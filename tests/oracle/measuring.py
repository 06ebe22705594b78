#!/usr/bin/env python3
"""Measured houses computed with other people's code.

    python tests/oracle/measuring.py adjust     < houses.json    field notes by NumPy and SciPy, in two ways
    python tests/oracle/measuring.py simulate   < houses.json    standard deviations of areas by drawing readings
    python tests/oracle/measuring.py polygons   < rings.json     areas, perimeters and validity by Shapely (GEOS)
    python tests/oracle/measuring.py rectangles < sides.json     areas by the package uncertainties
    python tests/oracle/measuring.py footprints                  the building footprints that momepy 0.11.0 ships

The notes are read here from their JSON form and modelled on their own: unknowns are wall lengths, runs, rises,
directions and ties; each reading is an observation of one of them, with the full covariance of all readings; closures
and ties are conditions. Way one keeps the conditions by their null space, way two by multipliers (bordered system).
All in feet and radians.
"""
import json
import math
import sqlite3
import sys
from importlib import metadata

import numpy as np
from scipy.linalg import null_space
from scipy.stats import chi2 as chi_square

UNITS = {"east": (1, 0), "north": (0, 1), "west": (-1, 0), "south": (0, -1)}
USUAL_SD = {"laser": 1 / 96, "tape": 1 / 48, "long_tape": 1 / 24}
USUAL_PPM = {"laser": 50, "tape": 120, "long_tape": 120}
MARK_SD = 1 / 48


def feet(text):
    number, unit = text.split()
    assert unit == "mm", text
    return float(number) / 304.8


class Notes:
    """Unknowns, observations with covariance, and conditions of one set of notes."""

    def __init__(self, notes):
        self.notes = notes
        self.instruments = {one["name"]: one for one in notes["instruments"]}
        self.names, self.start = [], []
        self.rows, self.observed, self.keys, self.lengths = [], [], [], []
        self.blocks, self.held = [], []
        self.walls = {wall["name"]: self.wall(wall) for wall in notes["walls"]}
        self.ties = [(tie, self.distance(f"tie {tie['name']}", tie["distance"])) for tie in notes["ties"]]
        self.covariance = np.zeros((len(self.observed), len(self.observed)))
        at = 0
        for block in self.blocks:
            self.covariance[at : at + len(block), at : at + len(block)] = block
            at += len(block)
        self.design = np.zeros((len(self.observed), len(self.names)))
        self.design[np.arange(len(self.rows)), self.rows] = 1
        self.observed = np.array(self.observed)

    def unknown(self, name, start):
        self.names.append(name)
        self.start.append(start)
        return len(self.names) - 1

    def reading(self, reading):
        total, variance, rounding, steps, by = 0.0, 0.0, 0.0, [], {}
        for piece in reading["pieces"]:
            instrument = self.instruments[piece["instrument"]]
            length = feet(piece["length"])
            total += length
            by[piece["instrument"]] = by.get(piece["instrument"], 0) + length
            stated = instrument["reading_sd"]
            variance += (feet(stated) if stated else USUAL_SD[instrument["kind"]]) ** 2
            step = piece["rounded_to"] or instrument["rounded_to"]
            if step:
                rounding += feet(step) ** 2 / 12
                steps.append(step)
        variance += (len(reading["pieces"]) - 1) * (feet(reading["mark_sd"]) if reading["mark_sd"] else MARK_SD) ** 2
        if reading["sd"]:
            variance = feet(reading["sd"]) ** 2
        for offset in reading["offsets"]:
            sign = 1 if offset["sense"] in ("end_stops_short", "add") else -1
            total += sign * feet(offset["amount"])
        return total, variance, rounding, sorted(steps), by

    def distance(self, name, distance):
        """An unknown and its readings; they share an obstacle, and rounding to the same steps."""
        readings = [self.reading(one) for one in distance["readings"]]
        obstacle = distance["obstacle"]
        shift, shared = 0.0, 0.0
        if obstacle:
            shift = feet(obstacle["amount"]) * (1 if obstacle["sense"] == "corner_not_reached" else -1)
            shared = feet(obstacle["sd"]) ** 2
        start = readings[0][0] if readings else 10.0
        at = self.unknown(name, start)
        block = np.full((len(readings), len(readings)), shared)
        for i, one in enumerate(readings):
            for j, other in enumerate(readings):
                if i == j:
                    block[i, j] += one[1] + one[2]
                elif one[3] == other[3]:
                    block[i, j] += one[2]
            self.rows.append(at)
            self.observed.append(one[0] + shift)
            self.keys.append(f"{name} #{i}")
            self.lengths.append(one[4])
        self.blocks.append(block)
        return at

    def wall(self, wall):
        kind, direction = next(iter(wall["direction"].items()))
        name = wall["name"]
        if kind == "run_and_rise":
            signs = [sum(UNITS[direction[leg]["toward"]]) for leg in ("run", "rise")]
            legs = [self.distance(f"{leg} of {name}", direction[leg]["distance"]) for leg in ("run", "rise")]
            own = self.distance(f"length of {name}", wall["length"]) if wall["length"]["readings"] else None
            return ("legs", legs, signs, own)
        length = self.distance(f"length of {name}", wall["length"])
        if kind == "compass":
            east, north = UNITS[direction["toward"]]
            angle = math.atan2(north, east)
        else:
            angle = math.pi / 2 - math.radians(direction["degrees"])
        stated = direction["sd_degrees"]
        sd = math.radians(self.notes["direction_sd_degrees"] if stated is None else stated)
        at = self.unknown(f"direction of {name}", angle)
        if sd == 0:
            self.held.append((at, angle))
        else:
            self.rows.append(at)
            self.observed.append(angle)
            self.keys.append(f"direction of {name}")
            self.lengths.append({})
            self.blocks.append(np.array([[sd**2]]))
        return ("polar", length, at)

    def vector(self, walk, x):
        wall = self.walls[walk["wall"]]
        sign = -1 if walk["backwards"] else 1
        if wall[0] == "legs":
            return sign * wall[2][0] * x[wall[1][0]], sign * wall[2][1] * x[wall[1][1]]
        return sign * x[wall[1]] * np.cos(x[wall[2]]), sign * x[wall[1]] * np.sin(x[wall[2]])

    def corners(self, x):
        east, north, corners = 0 * x[0], 0 * x[0], []
        for walk in self.notes["outlines"][0]["walls"]:
            corners.append((east, north))
            step = self.vector(walk, x)
            east, north = east + step[0], north + step[1]
        return corners, east, north

    def conditions(self, x):
        corners, east, north = self.corners(x)
        values = [east, north]
        for wall in self.walls.values():
            if wall[0] == "legs" and wall[3] is not None:
                values.append(x[wall[3]] ** 2 - x[wall[1][0]] ** 2 - x[wall[1][1]] ** 2)
        for tie, at in self.ties:
            one, other = corners[tie["from"]["corner"]], corners[tie["to"]["corner"]]
            apart = (other[0] - one[0], other[1] - one[1])
            if tie["along"] == "straight":
                values.append(x[at] ** 2 - apart[0] ** 2 - apart[1] ** 2)
            else:
                size = apart[0] if tie["along"] == "east_west" else apart[1]
                values.append(x[at] - size * np.sign(np.real(size)))
        values += [x[at] - angle for at, angle in self.held]
        return np.array(values)

    def area(self, x):
        corners, _, _ = self.corners(x)
        pairs = zip(corners, corners[1:] + corners[:1])
        return sum(a[0] * b[1] - b[0] * a[1] for a, b in pairs) / 2

    def length(self, name, x):
        wall = self.walls[name]
        if wall[0] == "legs":
            return np.sqrt(x[wall[1][0]] ** 2 + x[wall[1][1]] ** 2)
        return x[wall[1]]

    def slope(self, function, x):
        """Derivatives by a complex step: no differences, no loss."""
        columns = []
        for at in range(len(x)):
            moved = x.astype(complex)
            moved[at] += 1e-30j
            columns.append(np.imag(function(moved)) / 1e-30)
        return np.array(columns).T

    def start_values(self):
        """Readings as they are; what nobody read is fitted to the conditions first."""
        x = np.array(self.start, float)
        free = sorted(set(range(len(x))) - set(self.rows) - {at for at, _ in self.held})
        for _ in range(20 if free else 0):
            rows = self.slope(self.conditions, x)[:2, free]
            x[free] -= np.linalg.lstsq(rows, self.conditions(x)[:2], rcond=None)[0]
        return x


def null_space_way(design, weight, observed, rows, values, x):
    """Least squares over the directions that the conditions leave open."""
    particular = np.linalg.lstsq(rows, -values, rcond=None)[0]
    open_ = null_space(rows, rcond=1e-11)
    normal = open_.T @ design.T @ weight @ design @ open_
    right = open_.T @ design.T @ weight @ (observed - design @ (x + particular))
    return particular + open_ @ np.linalg.solve(normal, right), open_ @ np.linalg.inv(normal) @ open_.T


def bordered_way(design, weight, observed, rows, values, x):
    """Normal equations bordered by the conditions."""
    n, r = design.shape[1], rows.shape[0]
    system = np.zeros((n + r, n + r))
    system[:n, :n] = design.T @ weight @ design
    system[:n, n:] = rows.T
    system[n:, :n] = rows
    inverse = np.linalg.inv(system)
    right = np.concatenate([design.T @ weight @ (observed - design @ x), -values])
    return (inverse @ right)[:n], inverse[:n, :n]


def solve(notes, way):
    x = notes.start_values()
    weight = np.linalg.inv(notes.covariance)
    for _ in range(50):
        rows, values = notes.slope(notes.conditions, x), notes.conditions(x)
        step, covariance = way(notes.design, weight, notes.observed, rows, values, x)
        x = x + step
        if np.abs(step).max() < 1e-12:
            break
    return x, covariance, weight


def report(notes, x, covariance, weight):
    area = notes.slope(notes.area, x)
    influence = covariance @ notes.design.T @ weight
    scale = 0.0
    for name, instrument in notes.instruments.items():
        stated = instrument["scale_sd_ppm"]
        ppm = USUAL_PPM[instrument["kind"]] if stated is None else stated
        read = np.array([by.get(name, 0.0) for by in notes.lengths])
        scale += (area @ influence @ read * ppm * 1e-6) ** 2
    residuals = notes.design @ x - notes.observed
    spread = notes.covariance - notes.design @ covariance @ notes.design.T
    score, information = weight @ residuals, np.diag(weight @ spread @ weight)
    redundancy = np.diag(spread @ weight)
    checked = np.abs(redundancy) > 1e-6
    walls = {}
    for name in notes.walls:
        slope = notes.slope(lambda at: notes.length(name, at), x)
        walls[name] = [float(notes.length(name, x)), math.sqrt(max(slope @ covariance @ slope, 0))]
    chi2 = float(residuals @ weight @ residuals)
    dof = round(float(redundancy.sum()))
    return {
        "walls": walls,
        "area_sqft": abs(float(notes.area(x))),
        "readings_sd_sqft": math.sqrt(area @ covariance @ area),
        "scale_sd_sqft": math.sqrt(scale),
        "chi2": chi2,
        "degrees_of_freedom": dof,
        "probability": float(chi_square.sf(chi2, dof)) if dof else 1.0,
        "observations": {
            key: {
                "residual": float(residuals[at]),
                "redundancy": float(redundancy[at]),
                "standardised": float(score[at] / math.sqrt(information[at])) if checked[at] else None,
            }
            for at, key in enumerate(notes.keys)
        },
    }


def adjust(houses):
    results = []
    for house in houses:
        notes = Notes(house)
        results.append({
            "null_space": report(notes, *solve(notes, null_space_way)),
            "bordered": report(notes, *solve(notes, bordered_way)),
        })
    return results


def simulate(task):
    """Readings drawn anew round the adjusted ones; each draw is adjusted and its area computed, curved terms and all."""
    results = []
    for index, house in enumerate(task["houses"]):
        random = np.random.default_rng([task["seed"], index])
        notes = Notes(house)
        x, _, weight = solve(notes, null_space_way)
        noise = random.standard_normal((task["draws"], len(notes.observed))) @ np.linalg.cholesky(notes.covariance).T
        drawn = notes.design @ x + noise
        areas = [draw_areas(notes, x, weight, some) for some in np.array_split(drawn, 5)]
        results.append(float(np.concatenate(areas).std(ddof=1)))
    return results


def draw_areas(notes, x, weight, drawn):
    """Areas of many drawn sets of readings, two rounds of adjustment each from the true values on."""
    n, draws = len(x), len(drawn)
    at = np.repeat(x[:, None], draws, axis=1)
    for _ in range(2):
        values = notes.conditions(at)
        rows = np.array([stepped(notes, at, unknown) for unknown in range(n)])
        r = len(values)
        system = np.zeros((draws, n + r, n + r))
        system[:, :n, :n] = notes.design.T @ weight @ notes.design
        system[:, :n, n:] = rows.transpose(2, 0, 1)
        system[:, n:, :n] = rows.transpose(2, 1, 0)
        right = np.concatenate([notes.design.T @ weight @ (drawn.T - notes.design @ at), -values])
        at = at + np.linalg.solve(system, right.T[:, :, None])[:, :n, 0].T
    return notes.area(at)


def stepped(notes, at, unknown):
    moved = at.astype(complex)
    moved[unknown] += 1e-30j
    return np.imag(notes.conditions(moved)) / 1e-30


def polygons(rings):
    from shapely.geometry import Polygon

    results = []
    for ring in rings:
        first = ring[0]
        # Whole nanometres from the first corner are exact in floats: what lies on a line stays on it.
        polygon = Polygon([(east - first[0], north - first[1]) for east, north in ring])
        results.append({
            "area_m2": polygon.area / 1e18,
            "perimeter_m": polygon.length / 1e9,
            "valid": polygon.is_valid,
            "clockwise": not polygon.exterior.is_ccw,
        })
    return results


def overlaps(pairs):
    from shapely.geometry import Polygon

    def polygon(ring, first):
        return Polygon([((east - first[0]) / 304.8e6, (north - first[1]) / 304.8e6) for east, north in ring])

    results = []
    for one, other in pairs:
        first, second = polygon(one, one[0]), polygon(other, one[0])
        results.append({"both": first.intersection(second).area, "outside": first.difference(second).area})
    return results


def rectangles(sides):
    from uncertainties import ufloat

    def mean(readings):
        weights = [1 / sd**2 for _, sd in readings]
        values = [ufloat(value, sd) for value, sd in readings]
        return sum(weight * value for weight, value in zip(weights, values)) / sum(weights)

    results = []
    for house in sides:
        scale = ufloat(1, house["scale_sd"])
        area = mean(house["along"]) * scale * mean(house["across"]) * scale
        results.append([area.n, area.s])
    return results


def footprints():
    """Corners in nanometres, and what Shapely says of them in metres."""
    import shapely

    found = [file for file in metadata.files("momepy") if file.name == "bubenec.gpkg"]
    blobs = sqlite3.connect(f"file:{found[0].locate()}?mode=ro", uri=True).execute("select geom from buildings")
    results = []
    for (blob,) in blobs:
        # GeoPackage header: 8 bytes, then an envelope whose size bits 1 to 3 of the flags tell.
        envelope = [0, 32, 48, 48, 64][(blob[3] >> 1) & 7]
        polygon = shapely.from_wkb(blob[8 + envelope :])
        rings = [polygon.exterior, *polygon.interiors]
        first = rings[0].coords[0]
        whole = [[[round((e - first[0]) * 1e9), round((n - first[1]) * 1e9)] for e, n in ring.coords[:-1]] for ring in rings]
        moved = shapely.affinity.translate(polygon, -first[0], -first[1])
        results.append({"rings": whole, "area_m2": moved.area, "perimeter_m": moved.length})
    return results


def main():
    task = sys.argv[1]
    if task == "footprints":
        import shapely.affinity  # noqa: F401

        result = footprints()
    else:
        result = globals()[task](json.load(sys.stdin))
    json.dump(result, sys.stdout)


if __name__ == "__main__":
    main()
