"""What surveys of the wall found, for the screens: drawn from a stream of their own.

About a third of the streets were surveyed; elsewhere a cell is filled for one home in twenty. The
shares are a judgement, not a survey.
"""

from collections.abc import Mapping

import numpy as np
import polars as pl

from data_demo.dirt import NOTHING, Words, decimals, in_words, whole

STREAM = 13
"""Number of the child stream, so that no cell of another column moves."""
SURVEYED_STREETS = 0.35
FILLED = {True: 0.95, False: 0.05}

EXPOSURE_WORDS: Words = {
    "moderate": ("Moderate", "Zone 2", "2"),
    "severe": ("Severe", "Zone 3", "3", "sever"),
    "very_severe": ("Very severe", "Zone 4"),
}
DAMP_WORDS: Words = {
    "none": ("None", "None", "N", "No damp"),
    "condensation": ("Condensation", "Mould", "condensaton"),
    "penetrating": ("Penetrating", "Rain penetration"),
    "rising": ("Rising damp", "Rising"),
    "kind_not_known": ("Yes", "Damp"),
}
CONDITION_WORDS: Words = {
    "sound": ("Sound", "Good", "OK"),
    "cracks": ("Cracks", "Cracked"),
    "spalling": ("Spalling", "Loose render", "spaling"),
    "structural_movement": ("Movement",),
}
FRAME_WORDS: Words = {
    "none": ("None", "Masonry"),
    "concrete": ("Concrete frame",),
    "steel": ("Steel frame",),
    "timber": ("Timber frame",),
}
VENTILATION_WORDS: Words = {
    "adequate": ("Adequate", "Adequate", "Yes", "OK"),
    "inadequate": ("Inadequate", "No", "inadequite"),
}
ASBESTOS_WORDS: Words = {
    "none_found": ("None found", "None found", "Clear"),
    "present": ("Present", "Presumed", "ACM"),
}
SERVICES_WORDS: Words = {"yes": ("Flue", "Meter", "Flue and meter", "Y"), "no": ("None", "N")}
WORDS_BY_COLUMN: Mapping[str, Words] = {
    "exposure_zone": EXPOSURE_WORDS,
    "damp": DAMP_WORDS,
    "wall_condition": CONDITION_WORDS,
    "structural_frame": FRAME_WORDS,
    "ventilation": VENTILATION_WORDS,
    "asbestos": ASBESTOS_WORDS,
    "services_in_wall": SERVICES_WORDS,
}
LOAD_BEARING_KN = {"solid_brick": 0.95, "system_built": 0.6, "cavity": 0.8, "filled_cavity": 0.8}
"""Middle of the characteristic pull-out resistance by wall; 0.55 for the rest."""


def _streets(homes: pl.DataFrame) -> int:
    return homes["street_no"].n_unique()


def surveyed(homes: pl.DataFrame) -> pl.Series:
    """Whether each home's street was surveyed; the same for every column."""
    streets = _streets(homes)
    drawn = np.random.default_rng([STREAM, streets]).random(streets) < SURVEYED_STREETS
    return pl.Series(drawn[homes["street_no"].to_numpy()])


def _filled(homes: pl.DataFrame, rng: np.random.Generator, text: pl.Series) -> pl.Series:
    """The text where a cell was filled in, else nothing."""
    share = surveyed(homes).replace_strict(FILLED, return_dtype=pl.Float64)
    there = pl.Series(rng.random(homes.height)) < share
    return pl.select(pl.when(pl.lit(there)).then(pl.lit(text)).otherwise(NOTHING)).to_series()


def _drawn(
    homes: pl.DataFrame, rng: np.random.Generator, words: Words, shares: Mapping[str, float]
) -> pl.Series:
    """Codes drawn by their shares, in a landlord's words, where a cell was filled in."""
    code = pl.Series(rng.choice(list(shares), homes.height, p=list(shares.values())))
    return _filled(homes, rng, in_words(code, rng, words, {}))


def exposure_zones(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """One zone to an estate: the town lies on the slope of a moor."""
    codes = list(EXPOSURE_WORDS)
    estates = homes["estate"].unique(maintain_order=True)
    zone = rng.choice(codes, estates.len(), p=[0.6, 0.3, 0.1])
    code = homes["estate"].replace_strict(estates, pl.Series(zone))
    return _filled(homes, rng, in_words(code, rng, EXPOSURE_WORDS, {}))


def damp_in_words(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """None, rising, penetrating, mould."""
    shares = {"none": 0.88, "condensation": 0.05, "penetrating": 0.03, "rising": 0.02}
    return _drawn(homes, rng, DAMP_WORDS, {**shares, "kind_not_known": 0.02})


def conditions_in_words(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """Sound, cracks, loose render."""
    shares = {"sound": 0.86, "cracks": 0.06, "spalling": 0.07, "structural_movement": 0.01}
    return _drawn(homes, rng, CONDITION_WORDS, shares)


def frames_in_words(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """A frame for some system-built streets, written down where they were surveyed."""
    system = pl.col("construction") == "system_built"
    draw = pl.Series(rng.random(_streets(homes)))
    street = pl.Series(draw.gather(homes["street_no"]))
    code = homes.select(
        pl.when(pl.col("construction") == "timber_frame")
        .then(pl.lit("timber"))
        .when(system & (pl.lit(street) < 0.3))
        .then(pl.lit("steel"))
        .when(system)
        .then(pl.lit("concrete"))
        .otherwise(pl.lit("none"))
    ).to_series()
    return _filled(homes, rng, in_words(code, rng, FRAME_WORDS, {}))


def pull_outs_by_street(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """The characteristic resistance of the street's fifteen tests, where it was surveyed."""
    streets = _streets(homes)
    of_street = rng.normal(1.0, 0.3, streets).clip(0.3, 1.6)[homes["street_no"].to_numpy()]
    middle = homes["construction"].replace_strict(
        LOAD_BEARING_KN, default=0.55, return_dtype=pl.Float64
    )
    return _filled(
        homes, rng, homes.select(decimals(pl.lit(middle * pl.Series(of_street)), 2)).to_series()
    )


def ventilation_in_words(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """Adequate for two homes in three."""
    return _drawn(homes, rng, VENTILATION_WORDS, {"adequate": 0.67, "inadequate": 0.33})


def asbestos_in_words(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """Found, or presumed, in one home in five."""
    return _drawn(homes, rng, ASBESTOS_WORDS, {"none_found": 0.8, "present": 0.2})


def services_in_words(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """A flue or a meter on the treated wall of two homes in three."""
    return _drawn(homes, rng, SERVICES_WORDS, {"yes": 0.66, "no": 0.34})


def eaves_in_mm(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """50 to 400 mm, alike along a street."""
    streets = _streets(homes)
    mm = rng.integers(2, 17, streets)[homes["street_no"].to_numpy()] * 25
    return _filled(homes, rng, homes.select(whole(pl.lit(pl.Series(mm)))).to_series())
