"""A house of the demonstration as field notes, and its areas computed from them by other means than the program's.

Every wall is read twice with the laser, an eighth of an inch either side of what is built, so that the readings are
never equal and yet balance: then the adjusted house is the built one, and areas follow by multiplication.
"""

EIGHTH_FT = 1 / 96


def feet_inches(feet):
    inches = round(feet * 96) / 8
    whole, rest = divmod(inches, 12)
    eighths = round((rest % 1) * 8)
    text = f"{int(rest)}"
    if eighths:
        over = 8
        while eighths % 2 == 0:
            eighths, over = eighths // 2, over // 2
        text += f" {eighths}/{over}"
    return f"{int(whole)} ft {text} in"


def reading(feet, how):
    if how == "hooked":
        # the tape's end stops 2 in short of the corner
        piece = {"length": feet_inches(feet - 2 / 12), "instrument": "laser"}
        offset = {"sense": "end_stops_short", "amount": "2 in", "reason": "hook on the corner board"}
        return {"pieces": [piece], "offsets": [offset]}
    return {"pieces": [{"length": feet_inches(feet), "instrument": "laser"}]}


def wall(name, toward, feet, how=""):
    readings = [reading(feet + EIGHTH_FT, ""), reading(feet - EIGHTH_FT, how)]
    return {"name": name, "direction": {"compass": {"toward": toward}}, "length": {"readings": readings}}


def sides(*names, **edges):
    found = []
    for name in names:
        side = {"wall": name.lstrip("-")}
        if name.startswith("-"):
            side["backwards"] = True
        if side["wall"].replace(" ", "_") in edges:
            side["edge"] = edges[side["wall"].replace(" ", "_")]
        found.append(side)
    return found


def loft():
    """38 x 24 ft; a loft of 15 ft over its left end, drawn to the railing, the stair descending through the hall."""
    basement_width = 620 / 24
    walls = [
        wall("front", "east", 38, "hooked"),
        wall("right", "north", 24),
        wall("rear", "west", 38),
        wall("left", "south", 24),
        wall("loft front", "east", 15),
        wall("railing", "north", 24),
        wall("loft rear", "west", 15),
        wall("hall front", "east", 23),
        wall("hall rear", "west", 23),
        wall("to the stair", "north", 8),
        wall("stair front", "east", 7),
        wall("stair right", "north", 4),
        wall("stair rear", "west", 7),
        wall("stair left", "south", 4),
        wall("to the deck", "east", 6),
        wall("deck left", "north", 12),
        wall("deck rear", "east", 12),
        wall("deck right", "south", 12),
        wall("deck house", "west", 12),
        wall("basement front", "east", basement_width),
        wall("basement right", "north", 24),
        wall("basement rear", "west", basement_width),
    ]
    open_sides = dict.fromkeys(["deck_left", "deck_rear", "deck_right", "deck_house"], "open")
    outlines = [
        {"name": "ground", "sides": sides("front", "right", "rear", "left")},
        {"name": "loft", "sides": sides("loft front", "railing", "loft rear", "left", railing="railing")},
        {
            "name": "hall",
            "from": {"outline": "loft", "corner": 1},
            "sides": sides(
                "hall front", "right", "hall rear", "-railing",
                hall_front="outer_wall", right="outer_wall", hall_rear="outer_wall", railing="railing",
            ),
        },
        {
            "name": "stair",
            "from": {"outline": "loft", "corner": 1},
            "way": [{"wall": "to the stair"}],
            "sides": sides("stair front", "stair right", "stair rear", "stair left"),
        },
        {
            "name": "deck",
            "from": {"outline": "ground", "corner": 3},
            "way": [{"wall": "to the deck"}],
            "sides": sides("deck left", "deck rear", "deck right", "deck house", **open_sides),
        },
        {"name": "basement", "sides": sides("basement front", "basement right", "basement rear", "left")},
    ]
    rooms = {"use": "living", "finish": "finished", "heat": "main_system"}
    levels = [
        {
            "level": 0, "grade": "below", "outline": ["basement"],
            "parts": [{"name": "basement", "use": "storage", "outlines": ["basement"], "finish": "unfinished", "heat": "none"}],
        },
        {
            "level": 1, "grade": "above", "outline": ["ground"],
            "openings": [{"name": "basement stair", "area_sqft": 24, "cut_from": "rooms"}],
            "stairs": [{"name": "stair to the basement", "opening": "basement stair", "treads_sqft": 24}],
            "parts": [
                {"name": "rooms", "rest": True, **rooms},
                {"name": "deck", "use": "deck", "outlines": ["deck"]},
            ],
        },
        {
            "level": 2, "grade": "above", "outline": ["loft"],
            "openings": [{"name": "hall", "outlines": ["hall"]}],
            "stairs": [{"name": "stair to the hall", "opening": "hall", "outlines": ["stair"]}],
            "parts": [{"name": "loft", "outlines": ["loft"], **rooms}],
        },
    ]
    notes = {
        "wall_thickness": "6 1/2 in",
        "north_degrees": 0,
        "instruments": [{"name": "laser", "kind": "laser", "rounded_to": "1/8 in"}],
        "walls": walls,
        "outlines": outlines,
    }
    buildings = [{"name": "main house", "kind": "main", "levels": levels}]
    # counted: the ground floor with its stair, the loft's floor to the railing, treads within the opening
    areas = {"counted": 38 * 24 + 15 * 24 + 7 * 4}
    return {"field_notes": notes, "buildings": buildings}, areas
