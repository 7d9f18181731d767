"""Vapour and mould in the plane wall before and after works: layers, profile and steps.

The wall is the generic build-up of its construction (wall_layers.csv), as in `moisture_cases`.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline import moisture_cases
from pipeline.assess import Basis
from pipeline.explain.dwelling import Home
from pipeline.explain.step import Sheet, cited, one
from pipeline.physics import Floats, moisture
from pipeline.reference import MONTHS, Reference

LIMITS = (
    "Vapour diffusion alone, through the generic layers of the construction. Not covered: rain,"
    " ground water, moisture trapped at the works, air leaking through gaps. A designer decides."
)

OTHER_LAYERS = (
    "those of the generic wall, NOT of the home's own build-up {}: the verdict may not hold for it"
)

SATURATION = (
    "610.5 × exp(17.269 × T / (237.3 + T)) from 0 degC up; below, over ice,"
    " 610.5 × exp(21.875 × T / (265.5 + T))"
)


@dataclass(frozen=True)
class Layer:
    """One layer; conductivity [W/mK] and mu are None where resistance and sd are given as such."""

    name: str
    thickness_mm: float
    conductivity: float | None
    resistance: float
    mu: float | None
    sd: float
    source: str


@dataclass(frozen=True)
class Profile:
    """A wall in its coldest month, at every interface from the inside surface outwards.

    depth_mm, reached (resistance from the room's air, m2K/W), sd [m], temperature [degC],
    saturation and vapour [Pa]: [interface]; edges: interfaces at which a layer ends. amount:
    condensate at the end of each calendar month [kg/m2], the year begun dry in month `start`.
    """

    layers: tuple[Layer, ...]
    depth_mm: Floats
    reached: Floats
    sd: Floats
    temperature: Floats
    saturation: Floats
    vapour: Floats
    edges: list[int]
    amount: Floats
    start: int
    climate: moisture.Climate
    month: int

    @property
    def condenses(self) -> Floats:
        """Interfaces inside the wall at which the vapour is at saturation."""
        wet = np.isclose(self.vapour, self.saturation, rtol=1e-9)
        wet[[0, -1]] = False
        return np.asarray(wet)


def layers(home: Home, reference: Reference, after: bool) -> tuple[Layer, ...]:
    """Layers of the home's generic wall, inside to outside; empty where none stands for it."""
    name = pl.DataFrame([home]).select(moisture_cases.build_up()).item()
    if name is None:
        return ()
    rows = reference.table("wall_layers").filter(construction=name).sort("layer_no")
    found = [
        Layer(
            row["layer"],
            row["thickness_mm"],
            row["lambda_w_mk"],
            row["resistance_m2k_w"] or row["thickness_mm"] / 1000.0 / row["lambda_w_mk"],
            row["mu"],
            row["sd_m"] or row["thickness_mm"] / 1000.0 * row["mu"],
            f"{row['source']} ({row['checked']})",
        )
        for row in rows.to_dicts()
    ]
    return tuple([*found, *added(home, reference)] if after and found else found)


def added(home: Home, reference: Reference) -> list[Layer]:
    """The insulation and the finish of the chosen option."""
    row = one(reference, "insulation_systems", system=home["system"])
    size, conductivity, mu = (
        home["thickness_mm"],
        row["lambda_design_w_mk"],
        row["mu"],
    )
    finish = reference.cite("finish_resistance")
    return [
        Layer(row["label"], size, conductivity, size / 1000.0 / conductivity, mu,
              size / 1000.0 * mu, cited(row)),
        Layer("render finish", row["added_mm"], None,
              reference.constant("finish_resistance"), None,
              row["finish_sd_m"], f"{finish[0]} ({finish[1]})"),
    ]  # fmt: skip


def profile(home: Home, base: Basis, after: bool) -> Profile | None:
    """The wall before or after works through the year; None where no generic wall stands for it."""
    found, tables = layers(home, base.reference, after), base.reference
    if not found:
        return None
    cut_r, cut_sd, owner = moisture.strips(
        np.array([[layer.resistance for layer in found]]),
        np.array([[layer.sd for layer in found]]),
        moisture_cases.constant(tables, "strip_resistance"),
    )
    place = pl.DataFrame(
        {"region_id": [home["region_id"]], "humidity_class": [base.settings.works.humidity_class]}
    )
    climate = moisture_cases.climate(place, tables, base.settings.climate.temperature_shift_c)
    surfaces = moisture.Surfaces(
        tables.constant("surface_resistance_inside_wall"),
        tables.constant("surface_resistance_outside"),
        moisture_cases.constant(tables, "vapour_permeability_air"),
    )
    year = moisture.moisture_year(cut_r, cut_sd, climate, surfaces)
    month = int(climate.outside[0].argmin())
    temperature = moisture.interface_temperatures(
        cut_r, climate.inside, climate.outside, surfaces.r_inside, surfaces.r_outside
    )[:, month]
    saturation = moisture.saturation_pressure(temperature)
    most = saturation.copy()
    most[0, 0] = min(most[0, 0], climate.vapour_inside[0, month])
    most[0, -1] = min(most[0, -1], climate.vapour_outside[0, month])
    depth = moisture.interface_depths(cut_sd)
    pieces = np.bincount(owner[0], minlength=len(found))
    thickness = np.repeat([layer.thickness_mm for layer in found] / pieces, pieces)
    return Profile(
        found,
        np.concatenate([[0.0], np.cumsum(thickness)]),
        surfaces.r_inside + np.concatenate([[0.0], np.cumsum(cut_r[0])]),
        depth[0],
        temperature[0],
        saturation[0],
        moisture.vapour_pressure(depth, most)[0],
        np.concatenate([[0], np.cumsum(pieces)]).tolist(),
        np.roll(year.total[0], int(year.start[0])),
        int(year.start[0]),
        climate,
        month,
    )


def damp(sheet: Sheet, home: Home, base: Basis) -> None:
    """Layers, climate, condensate month by month, profile of the coldest month, and verdicts."""
    sheet.part("Moisture in the wall and mould")
    chosen = home["system"] is not None
    before = profile(home, base, after=False)
    if before is None:
        sheet.fact("Moisture in the wall", "no verdict: the wall is insulated on a face already, or"
                   " no generic layers stand for it", "wall_layers.csv")  # fmt: skip
        return
    after = profile(home, base, after=True) if chosen else None
    sheet.fact("What is checked", LIMITS, "BS EN ISO 13788:2012")
    if home["wall_build_up"] is not None:
        sheet.fact("Layers used", OTHER_LAYERS.format(home["wall_build_up"]), "wall_layers.csv")
    sheet.fact("Saturation pressure p_sat(T) in Pa", SATURATION, "BS EN ISO 13788:2012 Annex E")
    _layers(sheet, home, base, chosen)
    _climate(sheet, home, base, (before, after))
    if after is not None:
        sheet.found("m_p = highest(m_2)", "kg/m2", "BS EN ISO 13788:2012, 6.4",
                    "moisture_peak_kg_m2")  # fmt: skip
        meaning = "none; dries: gone within the year; accumulates: some stays each year"
        sheet.fact("moisture_verdict", home["moisture_verdict"], meaning)
        if home["moisture_plane"]:
            sheet.fact("moisture_plane", home["moisture_plane"], "where most condensate lies")
    for found, side in ((before, "1"), (after, "2")):
        if found is not None:
            _interfaces(sheet, found, side)


def _layers(sheet: Sheet, home: Home, base: Basis, chosen: bool) -> None:
    iso, mould = "BS EN ISO 6946:2017", "BS EN ISO 13788:2012, 3 and 5"
    sheet.constant("R_si", "surface_resistance_inside_wall")
    sheet.constant("R_se", "surface_resistance_outside")
    _moisture_constant(sheet, base.reference, "R_m", "mould_surface_resistance")
    parts = [("layers of the wall today", layers(home, base.reference, after=False), "w")]
    if chosen:
        parts.append(("layers added", tuple(added(home, base.reference)), "a"))
    for table, found, letter in parts:
        for number, layer in enumerate(found, start=1):
            sheet.row(table, f"{letter}{number} {layer.name}")
            sheet.given("d_l", layer.thickness_mm, "mm", layer.source, "Thickness")
            if layer.conductivity is None:
                sheet.given("R_l", layer.resistance, "m2K/W", layer.source, "Resistance")
            else:
                sheet.given("λ_l", layer.conductivity, "W/mK", layer.source, "Conductivity")
                sheet.found("R_l = d_l / 1000 / λ_l", "m2K/W", iso, "Resistance")
            if layer.mu is None:
                sheet.given("s_l", layer.sd, "m", layer.source, "sd")
            else:
                sheet.given("μ_l", layer.mu, "", layer.source, "Vapour resistance factor")
                sheet.found("s_l = μ_l × d_l / 1000", "m", "BS EN ISO 13788:2012", "sd")
        sheet.end()
        sheet.found(f"R_{letter} = Σ(R_l)", "m2K/W", iso, f"Resistance of the {table}")
    for side, when, extra in (("1", "today", ""), ("2", "after works", " + R_a")):
        if side == "1" or chosen:
            sheet.found(f"R_T{side} = R_si + R_w{extra} + R_se", "m2K/W", iso,
                        f"Generic wall {when}, air to air")  # fmt: skip
            sheet.found(f"f_p{side} = 1 − R_m / (R_T{side} − R_si + R_m)", "", mould,
                        f"f_Rsi of the plane wall {when}, no fixings")  # fmt: skip


def _moisture_constant(sheet: Sheet, reference: Reference, symbol: str, name: str) -> None:
    row = one(reference, "moisture_constants", name=name)
    sheet.given(symbol, row["value"], row["unit"].strip("-"), cited(row),
                name.replace("_", " ").capitalize())  # fmt: skip


def _climate(sheet: Sheet, home: Home, base: Basis, walls: tuple[Profile, Profile | None]) -> None:
    """Air inside and outside, and condensate at the end, of each month, before and after."""
    before, after = walls
    tables, iso = base.reference, "BS EN ISO 13788:2012, 4 and Annex A"
    humid = one(tables, "humidity_classes", humidity_class=base.settings.works.humidity_class)
    _moisture_constant(sheet, tables, "T_in", "inside_temperature")
    named = f"Indoor humidity class {base.settings.works.humidity_class}: excess"
    sheet.given("Δp", humid["excess_pa"], "Pa", cited(humid), named)
    sheet.given("T_f1", humid["full_excess_to_degC"], "degC", cited(humid),
                "Full excess up to this outside")  # fmt: skip
    sheet.given("T_f0", humid["no_excess_from_degC"], "degC", cited(humid),
                "No excess from this outside on")  # fmt: skip
    outdoors = {row["month"]: row for row in tables.table("outdoor_humidity").to_dicts()}
    strip = moisture_cases.constant(tables, "strip_resistance")
    solved = (
        f"vapour through strips of at most {strip:g} m2K/W, condensate kept: BS EN ISO 13788, 6.4"
    )
    region = one(tables, "climate_temperature_monthly", region_id=float(home["region_id"]))
    for i, month in enumerate(MONTHS):
        sheet.row("vapour and condensate of each month", month)
        sheet.given("T_e", float(before.climate.outside[0, i]), "degC",
                    cited(region), "Outside")  # fmt: skip
        row = outdoors[month]
        sheet.given("φ_e", row["relative_humidity"], "", cited(row), "Humidity outside")
        sheet.found("p_e = φ_e × p_sat(T_e)", "Pa", iso, "Vapour outside")
        sheet.found(
            "p_i = min(p_e + Δp × min(max((T_f0 − T_e) / (T_f0 − T_f1), 0), 1), p_sat(T_in))",
            "Pa", iso, "Vapour inside",
        )  # fmt: skip
        sheet.given("m_1", float(before.amount[i]), "kg/m2", solved, "Condensate before")
        if after is not None:
            sheet.given("m_2", float(after.amount[i]), "kg/m2", solved, "Condensate after")
    sheet.end()
    for found, when in ((before, "today"), (after, "after works")):
        if found is not None and found.amount.any():
            told = "the condensing month after the longest dry run, begun dry"
            sheet.fact(f"Year of condensation begins, wall {when}", MONTHS[found.start], told)


def _interfaces(sheet: Sheet, found: Profile, side: str) -> None:
    """Temperature, saturation and vapour pressure where layers meet, in the coldest month."""
    month, when = MONTHS[found.month], "today" if side == "1" else "after works"
    iso = "BS EN ISO 13788:2012, 6.2 and 6.3"
    sheet.given("T_c", float(found.climate.outside[0, found.month]), "degC", "coldest month",
                f"Outside in {month}, wall {when}")  # fmt: skip
    names = ["inside", *(layer.name for layer in found.layers), "outside"]
    for number, edge in enumerate(found.edges):
        sheet.row(f"where layers meet, {when}", f"{names[number]} / {names[number + 1]}")
        sheet.given("R_x", float(found.reached[edge]), "m2K/W", "R_si and the layers inside it",
                    "Resistance to here")  # fmt: skip
        sheet.found(f"T_x = T_in − (T_in − T_c) × R_x / R_T{side}", "degC", iso, "Temperature")
        sheet.found("p_s = p_sat(T_x)", "Pa", "BS EN ISO 13788:2012 Annex E", "Saturation")
        sheet.given("s_x", float(found.sd[edge]), "m", "sum of the layers inside it", "sd to here")
        sheet.given("p_x", float(found.vapour[edge]), "Pa",
                    "straight over sd, nowhere above saturation", "Vapour pressure")  # fmt: skip
    sheet.end()


def caption(before: Profile, after: Profile | None) -> str:
    """What the drawing shows, in words, with its figures for those who cannot see it."""
    told = [f"today the inside surface is at {before.temperature[0]:.1f} °C"]
    if after is not None:
        told.append(f"after works at {after.temperature[0]:.1f} °C")
    wet = [when for when, wall in (("today", before), ("after works", after))
           if wall is not None and wall.condenses.any()]  # fmt: skip
    damp = f"vapour meets saturation inside the wall {' and '.join(wet)}" if wet else (
        "vapour stays below saturation inside the wall")  # fmt: skip
    return (
        f"The wall in {MONTHS[before.month]}, the coldest month, room air at"
        f" {room_air(before)}, outside at"
        f" {before.climate.outside[0, before.month]:.1f} °C: {', '.join(told)}; {damp}. Layers to"
        f" scale, of the generic build-up. {LIMITS}"
    )


def room_air(wall: Profile) -> str:
    """Temperature of the room in the profile, beside that of the saving."""
    inside = wall.climate.inside[0, wall.month]
    return f"{inside:.0f} °C as in BS EN ISO 13788 (the saving takes that of the settings)"
