"""Writes the stock list of Tarnwick Homes, a landlord that does not exist, at any size.

    python -m data_demo.generate --homes 2400 --seed 2026 --out data_demo/stock.csv

Three steps: invent the homes (town), write them down as landlords do (dirt), and spoil about
one row in twenty beyond mending (faults).
"""

import argparse
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import polars as pl

from data_demo import dirt, faults, survey, town

HOMES = 2400
SEED = 2026

RULE_BY_HEADING: Mapping[str, dirt.Rule] = {
    "Property Ref": dirt.property_refs,
    "UPRN": dirt.uprns_partly_missing,
    "Address Line 1": dirt.addresses_in_two_styles,
    "Post Code": dirt.postcodes_loose,
    "Estate": dirt.estates,
    "Patch Officer": dirt.officers_stray,
    "Tenure": dirt.tenures_in_words,
    "Prop Type": dirt.property_types_in_words,
    "Built Form": dirt.built_forms_in_words,
    "Flat Position": dirt.flat_positions_in_words,
    "No of Storeys": dirt.storeys_partly_missing,
    "Building Height": dirt.heights_of_tall_blocks,
    "Age": dirt.ages_in_many_forms,
    "Floor Area": dirt.floor_areas_in_two_units,
    "Wall Type": dirt.wall_constructions_in_words,
    "Wall Insul": dirt.wall_insulations_in_words,
    "Wall Thk": dirt.wall_thicknesses_in_units,
    "Ext Wall Area": dirt.wall_areas_partly_missing,
    "Treatable": dirt.treatable_shares_in_two_styles,
    "Wall U": dirt.u_values_mostly_missing,
    "Windows m2": dirt.window_areas_mostly_missing,
    "Glazing": dirt.glazing_in_words,
    "Loft Ins": dirt.lofts_in_units,
    "Heating": dirt.heating_in_words,
    "Last Gas Service": dirt.gas_services_stray,
    "EPC": dirt.epc_bands_with_gaps,
    "Gas kWh": dirt.gas_for_some_gas_homes,
    "Low Income": dirt.low_incomes_half_known,
    "Conservation": dirt.heritage_in_words,
    "Walls Refused": dirt.walls_refused_where_some_are,
    "Clearance mm": dirt.clearances_seldom_known,
    "Notes": dirt.notes_stray,
}
SURVEY_RULE_BY_HEADING: Mapping[str, dirt.Rule] = {
    "Exposure Zone": survey.exposure_zones,
    "Damp": survey.damp_in_words,
    "Wall Condition": survey.conditions_in_words,
    "Frame Type": survey.frames_in_words,
    "Pull-out kN": survey.pull_outs_by_street,
    "Ventilation": survey.ventilation_in_words,
    "Asbestos": survey.asbestos_in_words,
    "Flue or Meter": survey.services_in_words,
    "Soffit Depth": survey.eaves_in_mm,
}
STRAY_HEADINGS = ("Last Gas Service", "Patch Officer", "Notes")


def stock_list_and_faults(
    homes: int = HOMES, seed: int = SEED
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The list as text, and the planted faults: source_row, kind, first_entry_row.

    `source_row` counts as a spreadsheet does, the heading being row 1. Raises ValueError below
    100 homes. The same size and seed give the same list; lists of two sizes need not agree.
    """
    rng = np.random.default_rng(seed)
    true_homes = town.clean_homes(homes, rng)
    of_survey = np.random.default_rng([seed, survey.STREAM])
    listed = pl.DataFrame(
        [
            rule(true_homes, stream).alias(heading)
            for rules, stream in ((RULE_BY_HEADING, rng), (SURVEY_RULE_BY_HEADING, of_survey))
            for heading, rule in rules.items()
        ]
    )
    return faults.plant_all(true_homes, listed, rng)


def stock_list(homes: int = HOMES, seed: int = SEED) -> pl.DataFrame:
    """The invented landlord's list: one row per home, every column text, null where empty."""
    return stock_list_and_faults(homes, seed)[0]


def write_csv(path: Path | str, homes: int = HOMES, seed: int = SEED) -> None:
    """Write the list to `path` as UTF-8 CSV with \\n line ends."""
    stock_list(homes, seed).write_csv(path, line_terminator="\n")


def main() -> None:
    """Command line: sizes and seed in, one CSV out."""
    parser = argparse.ArgumentParser(description="Write the stock list of an invented landlord.")
    parser.add_argument("--homes", type=int, default=HOMES, help="rows, 100 or more")
    parser.add_argument("--seed", type=int, default=SEED, help="same seed, same list")
    parser.add_argument("--out", type=Path, default=Path("stock.csv"), help="new file to write")
    chosen = parser.parse_args()
    if chosen.out.exists():
        parser.error(f"{chosen.out} stands there already. Move it away or name another with --out.")
    write_csv(chosen.out, chosen.homes, chosen.seed)
    print(f"{chosen.homes} invented homes written to {chosen.out}")


if __name__ == "__main__":
    main()
