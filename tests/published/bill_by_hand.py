"""The bill of one home written out item by item in plain Python, from the trade's rules of thumb.

Nothing here reads bill_items.csv or take_off.csv: every quantity, waste and centre is stated again.
Sources: common practice for external wall insulation (300 mm centres, 500 x 250 mm patches, sill
40 mm beyond the finish) and, from memory, kg per m2, laps, waste and reveal depth.
"""

from collections.abc import Mapping
from typing import Any

Row = Mapping[str, Any]
Rates = Mapping[tuple[str, str], float]

FINISH = {"cork": "mineral", "wood_fibre": "mineral"}  # else silicone
ADHESIVE_KG = {"mineral_wool": 6, "cork": 6, "wood_fibre": 6}  # per m2, else 5
FINISH_KG = {"silicone": 2.25, "mineral": 3.0}  # per m2
FIXINGS = {"mineral_wool": 8}  # per m2, else 6
COUNTS = {
    "house": {"flue": 1, "meter_box": 1, "downpipe": 2, "gully": 1, "soil_pipe": 1, "dish": 1,
              "light": 1, "tap": 0.5, "cable": 2, "vent": 3, "canopy": 0.3, "gate": 1},
    "bungalow": {"flue": 1, "meter_box": 1, "downpipe": 2, "gully": 1, "soil_pipe": 1, "dish": 1,
                 "light": 1, "tap": 0.5, "cable": 2, "vent": 4, "canopy": 0.2, "gate": 1},
    "flat": {"flue": 1, "downpipe": 0.5, "gully": 0.2, "soil_pipe": 0.5, "dish": 0.5,
             "light": 0.3, "cable": 1, "vent": 2},
    "maisonette": {"flue": 1, "meter_box": 0.5, "downpipe": 1, "gully": 0.5, "soil_pipe": 0.7,
                   "dish": 1, "light": 0.7, "cable": 1.5, "vent": 3, "canopy": 0.2, "gate": 0.3},
}  # fmt: skip


def quantities(row: Row, length: Mapping[str, float], system: str, mm: float) -> dict[str, Any]:
    """Net quantity and waste of every item, with reveals of 20 mm, for one home and option."""
    area = row["treated_wall_area_m2"]
    windows = length["sill"] / 1.2
    doors = max(length["head"] - length["sill"], 0.0) / 0.9
    rail = max(length["base"] - 0.9 * doors, 0.0)
    sides = length["jamb"] + length["head"]
    openings = sides + length["sill"]
    rendered = area + sides * (0.1 + mm / 1000)
    finish = FINISH.get(system, "silicone")
    return {
        "wall_preparation": (area, 0),
        "insulation_board": (area, 0.05),
        "adhesive": (area * ADHESIVE_KG.get(system, 5), 0.075),
        "fixing": (area * FIXINGS.get(system, 6) + (openings + length["corner"]) / 0.3, 0.05),
        "board_labour": (area, 0),
        "base_rail": (rail, 0.1),
        "base_rail_fixing": (rail / 0.3, 0.05),
        "base_coat": (6.5 * rendered, 0.075),
        "mesh": (1.1 * rendered, 0.1),
        "corner_patch": (4 * windows + 2 * doors, 0.1),
        "primer": (0.25 * rendered, 0.075),
        "finish": (FINISH_KG[finish] * rendered, 0.075),
        "render_labour": (rendered, 0),
        "corner_bead": (length["corner"] + sides, 0.1),
        "stop_bead": (length["head"] + length["eaves"] + length["neighbour"] + rail, 0.1),
        "window_bead": (sides, 0.1),
        "seal_tape": (length["sill"] + length["eaves"] + length["neighbour"], 0.05),
        "reveal_board_20": (0.1 * openings, 0.1),
        "reveal_labour": (openings, 0),
        "sill": (length["sill"] + 0.1 * windows, 0.05),
        "eaves_trim": (length["eaves"], 0.1),
        "eaves_extension": (0.25 * length["eaves"], 0),
        **{name: (n, 0) for name, n in COUNTS[row["property_type"]].items()},
        **_scaffold(row, area + length["sill"] * 1.2 + doors * 0.9 * 2.05),
        **dict.fromkeys(ON_COSTS, (1, 0)),
    }


ON_COSTS = ("assessment", "coordination", "design", "pull_out_test", "ventilation")
ACCESS = ("scaffold_1", "scaffold_2", "scaffold_3", "scaffold_start")


def _scaffold(row: Row, face: float) -> dict[str, tuple[float, float]]:
    storeys, height = row["storeys"], row["building_height_m"]
    upstairs = row["property_type"] in ("flat", "maisonette") and row["floor_position"] in (
        "mid", "top",
    )  # fmt: skip
    tall = upstairs if height is None else height > 6.0
    band = 3 if storeys > 2 or tall else 2 if storeys > 1 else 1
    side = (row["floor_area_m2"] / storeys) ** 0.5
    elevations = row["exposed_perimeter_m"] / side * row["treatable_share"]
    return {f"scaffold_{band}": (face, 0), "scaffold_start": (elevations, 0)}


def rate(item: str, system: str, mm: float, rates: Rates) -> float:
    """Rate of an item, with what each 10 mm of board adds where the book says so."""
    key = {"insulation_board": system, "finish": FINISH.get(system, "silicone")}.get(item, "all")
    return rates[item, key] + rates.get((f"{item}_per_10mm", key), 0.0) * mm / 10


def cost(
    row: Row, length: Mapping[str, float], system: str, mm: float, rates: Rates
) -> dict[str, float]:
    """works_gbp and cost_gbp of a home alone on its street, works after 1 April 2027."""
    place = rates.get(("location_index", _area(row["postcode"])), 1.0)
    works = on_costs = 0.0
    for item, (net, waste) in quantities(row, length, system, mm).items():
        amount = net * (1 + waste) * rate(item, system, mm, rates) * place
        if item in ON_COSTS:
            on_costs += amount
        else:
            works += amount
    prelims = works * rates["prelims", "all"]
    contingency = (works + prelims) * rates["contingency", "all"]
    whole = works + prelims + contingency + on_costs
    return {"works_gbp": works, "cost_gbp": whole * (1 + rates["vat", "2027-04-01"])}


def _area(postcode: str | None) -> str:
    letters = (postcode or "")[:2]
    return letters if letters[1:].isalpha() else letters[:1]
