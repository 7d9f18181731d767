"""The calculation in plain Python: `math` and `csv` only, nothing of `pipeline` is called.

Written from the formulae of the sources named, so that a slip in the pipeline cannot repeat here.
"""

import csv
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
REFERENCE = ROOT / "pipeline" / "reference"
JUNCTION_TABLE = ROOT / "pipeline" / "junction_table.csv"
JUNCTIONS = ("jamb", "head", "sill", "base", "eaves", "neighbour", "corner")
MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
DAYS = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
HEATING_MONTHS = ("oct", "nov", "dec", "jan", "feb", "mar", "apr", "may")
INSIDE = 18.5


def rows(path: Path) -> list[dict[str, str]]:
    """A CSV as a list of dictionaries of text."""
    return list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))


def table(name: str) -> list[dict[str, str]]:
    return rows(REFERENCE / f"{name}.csv")


CONSTANTS = {row["name"]: float(row["value"]) for row in table("constants")}


def outside_temperatures() -> dict[int, dict[str, float]]:
    """Mean outside temperature by region and month [degC]. SAP 2012 Table U1."""
    return {
        int(row["region_id"]): {m: float(row[f"{m}_degC"]) for m in MONTHS}
        for row in table("climate_temperature_monthly")
    }


def east_west_irradiance() -> dict[int, dict[str, float]]:
    """Mean flux on a vertical east or west face by region and month [W/m2].

    Source: SAP 2012 Appendix U, U3.2: S = S_horizontal (A cos2(phi-delta) + B cos(phi-delta) + C)
    with A = k1 s3 + k2 s2 + k3 s, B = k4 s3 + k5 s2 + k6 s, C = k7 s3 + k8 s2 + k9 s + 1 and
    s the sine of half the pitch.
    """
    declination = {
        row["month"]: float(row["declination_deg"]) for row in table("climate_solar_declination")
    }
    row = next(
        row for row in table("climate_solar_orientation_constants") if row["orientation"] == "E_W"
    )
    k = [float(row[f"k{i}"]) for i in range(1, 10)]
    s = math.sin(math.radians(90.0 / 2.0))
    a = k[0] * s**3 + k[1] * s**2 + k[2] * s
    b = k[3] * s**3 + k[4] * s**2 + k[5] * s
    c = k[6] * s**3 + k[7] * s**2 + k[8] * s + 1.0
    flux = {}
    for row in table("climate_solar"):
        flux[int(row["region_id"])] = {}
        for m in MONTHS:
            cosine = math.cos(math.radians(float(row["latitude_degN"]) - declination[m]))
            horizontal = float(row[f"{m}_W_m2_horizontal"])
            flux[int(row["region_id"])][m] = horizontal * (a * cosine * cosine + b * cosine + c)
    return flux


def hitchin(excess: float, days: float, k: float = 0.71) -> float:
    """Degree-days of a month [K day]. Source: CIBSE TM41:2006, Hitchin's formula."""
    if abs(excess) < 1e-9:
        return days / k
    return days * excess / (1.0 - math.exp(-k * excess))


def degree_days(
    heat_loss: float,
    gains: dict[str, float],
    outside: dict[str, float],
    months: Sequence[str] = HEATING_MONTHS,
) -> float:
    """Degree-days over the season [K day] at each month's own balance point. CIBSE TM41:2006."""
    days = dict(zip(MONTHS, DAYS, strict=True))
    return sum(hitchin(INSIDE - gains[m] / heat_loss - outside[m], days[m]) for m in months)


def utilisation(gamma: float, tau: float) -> float:
    """Share of the gains that replaces heating, for gains over losses gamma and tau hours.

    Source: BS EN ISO 13790:2008 12.2.1.1, monthly method: a = 1 + tau/15.
    """
    a = 1.0 + tau / 15.0
    if gamma < 0.0:
        return 1.0 / gamma
    if abs(gamma - 1.0) < 1e-9:
        return a / (a + 1.0)
    return (1.0 - gamma**a) / (1.0 - gamma ** (a + 1.0))


def heat_by_utilisation(
    heat_loss: float, heat_capacity: float, gains: dict[str, float], outside: dict[str, float]
) -> float:
    """Heat over the whole year [kWh]: losses less the gains that are of use, month by month.

    heat_loss [W/K]; heat_capacity [kJ/K]; gains [W]. Source: BS EN ISO 13790:2008 7.2.1.
    """
    tau = heat_capacity / 3.6 / heat_loss
    heat = 0.0
    for month, days in zip(MONTHS, DAYS, strict=True):
        loss = heat_loss * (INSIDE - outside[month])
        heat += 0.024 * days * (loss - utilisation(gains[month] / loss, tau) * gains[month])
    return heat


def junction_psi() -> dict[tuple[str, ...], float]:
    """psi [W/mK] of the committed table, by wall, junction, variant, and for a variant after works
    also "thickness lambda". Source: BS EN ISO 10211:2017, as junction_table.csv was solved.
    """
    found = {}
    for row in rows(JUNCTION_TABLE):
        key = (row["wall"], row["junction"], row["variant"])
        if row["variant"] != "before":
            key += (insulation(float(row["thickness_mm"]), float(row["lambda_w_mk"])),)
        found[key] = float(row["psi_w_mk"])
    return found


def insulation(mm: float, conductivity: float) -> str:
    return f"{mm:g} {conductivity:g}"


def junction_wall(construction: str, insulated: str | None, mm: float | None) -> str | None:
    """The wall of the junction table that stands for a home's; None where none does.

    Source: wall types of RdSAP; one and a half bricks above 280 mm, RdSAP 10 Table 13. An unknown
    thickness counts as one brick. A wall insulated on a face is in no row of the table.
    """
    if insulated in ("internal", "external"):
        return None
    if construction == "cavity":
        return "cavity_filled" if insulated == "filled_cavity" else "cavity_unfilled"
    if construction == "solid_brick":
        return "solid_brick_328" if mm is not None and mm > 280.0 else "solid_brick_215"
    return {
        "filled_cavity": "cavity_filled",
        "system_built": "no_fines_250",
        "stone_granite": "stone_500",
        "stone_sandstone": "stone_500",
    }.get(construction)


def estimated_lengths(home: Mapping[str, Any]) -> dict[str, float]:
    """Junction lengths of the treated wall [m] where the list gives none.

    home: form, floor area, storeys, openings and floor position. Source: own assumptions written
    in constants.csv and exposed_perimeter_share.csv: each storey a square, windows of 1.2 m by
    1.2 m, doors of 0.9 m by 2.05 m and 1.85 m2; two sides of the square lie under the eaves.
    """
    flat = home["property_type"] in ("flat", "maisonette")
    form = next(
        row
        for row in table("exposed_perimeter_share")
        if row["property_type"] == ("flat" if flat else "house")
        and row["built_form"] == home["built_form"]
    )
    side = math.sqrt(home["floor_area_m2"] / home["storeys"])
    height = home["storeys"] * CONSTANTS["storey_height"]
    wide, tall = CONSTANTS["window_width"], CONSTANTS["window_height"]
    windows = home["window_area_m2"] / (wide * tall)
    doors = CONSTANTS["doors_flat" if flat else "doors_house"]
    on_ground = not flat or home["floor_position"] == "ground"
    under_roof = not flat or home["floor_position"] == "top"
    whole = {
        "jamb": windows * 2.0 * tall + doors * 2.0 * CONSTANTS["door_height"],
        "head": windows * wide + doors * CONSTANTS["door_width"],
        "sill": windows * wide,
        "base": 4.0 * side * float(form["share"]) if on_ground else 0.0,
        "eaves": 2.0 * side if under_roof else 0.0,
        "neighbour": int(form["neighbour_edges"]) * height,
        "corner": int(form["corners"]) * height,
    }
    return {name: length * home["treatable_share"] for name, length in whole.items()}
