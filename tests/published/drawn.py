"""Stock frames drawn at random, as `pipeline.stock.ingest` would hand them over."""

import numpy as np
import polars as pl

from pipeline.columns import by_role, dictionary

POSTCODES = (  # one outward code in each climate region 1 to 21, SAP 2012 Appendix U
    "SW9 1AA", "BN1 1AA", "SO14 1AA", "PL1 1AA", "BS1 1AA", "B1 1AA", "M1 1AA",
    "CA1 1AA", "TD9 1AA", "DH1 1AA", "LS1 1AA", "NR1 1AA", "LD1 1AA", "G1 1AA",
    "EH1 1AA", "AB10 1AA", "IV1 1AA", "HS1 1AA", "KW15 1AA", "ZE1 1AA", "BT1 1AA",
)  # fmt: skip
GLAZING = ("single", "double_pre2002", "double_2002", "double_2022", "secondary", "triple")
FORMS = ("detached", "semi_detached", "end_terrace", "mid_terrace")
WALLS = ("solid_brick", "filled_cavity", "system_built", "stone_sandstone", "stone_granite", "cob")
AREAS = {"house": (60, 140), "bungalow": (45, 90), "flat": (35, 85), "maisonette": (55, 100)}
LONGEST = {  # m of junction a list may give: up to what a two-storey home of 100 m2 has
    "jamb": 30.0, "head": 14.0, "sill": 12.0, "base": 20.0, "eaves": 12.0, "neighbour": 10.0,
    "corner": 20.0,
}  # fmt: skip
STOREYS = {"house": 2.0, "bungalow": 1.0, "flat": 1.0, "maisonette": 2.0}


def stock(rng: np.random.Generator, homes: int, **columns: object) -> pl.DataFrame:
    """Rented homes of 1880 to 1982 of every form, wall, glazing and climate region.

    Some walls are insulated inside or are cavities filled; one junction length in four is given.

    columns: further stock columns, or others in place of those drawn here; the rest is empty.
    """
    kinds = rng.choice(list(AREAS), homes, p=[0.5, 0.1, 0.3, 0.1])
    drawn: dict[str, object] = {
        "home_id": [f"H{number:05d}" for number in range(homes)],
        "postcode": rng.choice(POSTCODES, homes),
        "tenure": ["social_rent"] * homes,
        "property_type": kinds,
        "built_form": rng.choice(FORMS, homes),
        "floor_position": rng.choice(["ground", "mid", "top"], homes),
        "storeys": [STOREYS[kind] for kind in kinds],
        "construction_year": rng.integers(1880, 1983, homes).astype(float),
        "floor_area_m2": [rng.uniform(*AREAS[kind]) for kind in kinds],
        "wall_construction": rng.choice(WALLS, homes, p=[0.4, 0.15, 0.25, 0.1, 0.05, 0.05]),
        "wall_insulation": ["none"] * homes,
        "glazing": rng.choice(GLAZING, homes),
        "loft_insulation_mm": rng.choice([0.0, 100.0, 200.0, 270.0], homes),
        "heating": ["gas_condensing_boiler"] * homes,
    }
    bricks = np.asarray(drawn["wall_construction"]) == "solid_brick"
    drawn["wall_insulation"] = np.where(bricks & (rng.random(homes) < 0.1), "internal", "none")
    thick = rng.choice([220.0, 280.0, 281.0, 330.0], homes)
    drawn["wall_thickness_mm"] = _given(bricks & (rng.random(homes) < 0.5), thick)
    for name, longest in LONGEST.items():
        given = rng.random(homes) < 0.25
        drawn[f"{name}_length_m"] = _given(given, rng.uniform(0.0, longest, homes))
    drawn |= columns
    return pl.DataFrame(
        [
            pl.Series(column.name, drawn.get(column.name, [None] * homes), column.polars_dtype)
            for column in [*by_role("stock"), dictionary()["held_for"]]
        ]
    )


def _given(known: np.ndarray, values: np.ndarray) -> list[float | None]:
    return [value if there else None for there, value in zip(known, values.tolist(), strict=True)]
