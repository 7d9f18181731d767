"""The catalogue of dirt that can be mended: how each column of a true home gets written down.

One function per column, one habit of landlords' lists each. A function takes the true homes
and a random generator and returns the column as text, null where a cell was left empty.
"""

from collections.abc import Callable, Mapping, Sequence
from itertools import accumulate, pairwise

import numpy as np
import polars as pl

SQ_FT_PER_M2 = 10.7639
MM_PER_INCH = 25.4
NOTHING = pl.lit(None, pl.String)
BAND_FIRST_YEARS = (1900, 1930, 1950, 1967, 1976, 1983, 1991, 1996)

Rule = Callable[[pl.DataFrame, np.random.Generator], pl.Series]
Words = Mapping[str, Sequence[str]]

TENURE_WORDS: Words = {
    "social_rent": ("Social Rent",) * 5
    + ("General Needs", "GN", "Rented", "gen needs", "scoial rent"),
    "leasehold": ("Leasehold", "Leasehold", "LH", "Sold", "RTB Sold", "lease hold"),
    "shared_ownership": ("Shared Ownership", "SO"),
    "private": ("Owner Occupied", "Freehold"),
}
PROPERTY_TYPE_WORDS: Words = {
    "house": ("House",) * 12 + ("HOUSE",) * 3 + ("Hse", "Hse", "hosue", "houes"),
    "bungalow": ("Bungalow",) * 6 + ("Bung", "BGL", "bungalo", "bunglow"),
    "flat": ("Flat",) * 10 + ("FLAT", "Apt", "flt", "falt"),
    "maisonette": ("Maisonette",) * 6 + ("Mais", "masionette", "maisonnette"),
}
BUILT_FORM_WORDS: Words = {
    "detached": ("Detached", "Detached", "Det", "detatched"),
    "semi_detached": ("Semi-Detached",) * 6 + ("Semi", "SD", "semi-detatched", "semidetached"),
    "end_terrace": ("End Terrace",) * 6 + ("End-Terrace", "ET", "end of terrace", "end terrance"),
    "mid_terrace": ("Mid Terrace",) * 8 + ("Mid-Terrace", "MT", "Terraced", "mid terrance"),
}
FLOOR_POSITION_WORDS: Words = {
    "ground": ("Ground", "GF", "G", "Ground Floor"),
    "mid": ("Mid", "Mid Floor", "1st", "middle"),
    "top": ("Top", "Top Floor", "TF"),
}
WALL_WORDS: Words = {
    "solid_brick": ("Solid Brick",) * 12
    + ("SOLID BRICK", "Solid", "9 inch solid brick", "brick - solid", "solid brik", "soild brick"),
    "system_built": ("System Built",) * 5
    + ("No-Fines", "PRC", "Non-Trad", "sytem built", "no fnes"),
    "stone_sandstone": ("Sandstone", "Stone", "Random Stone"),
    "stone_granite": ("Granite", "Whinstone", "Stone (granite)"),
    "cavity": ("Cavity",) * 6 + ("Cavity unfilled", "Cav", "Cavity brick", "caviy"),
    "filled_cavity": ("Filled Cavity",) * 5 + ("Cavity (filled)", "CWI", "filed cavity"),
    "timber_frame": ("Timber Frame",) * 5 + ("Timber", "timbre frame"),
}
WALL_INSULATION_WORDS: Words = {
    "none": ("None",) * 6 + ("As built",) * 3 + ("Uninsulated", "nonw"),
    "external": ("External", "EWI", "EWI", "External wall insulation"),
    "internal": ("Internal", "IWI", "Dry lined"),
    "filled_cavity": ("Filled cavity", "CWI", "Cavity fill"),
}
GLAZING_WORDS: Words = {
    "single": ("Single", "SG", "singel"),
    "double_pre2002": ("DG pre 2002", "Old double", "Double pre-2002"),
    "double_2002": ("Double",) * 5 + ("DG", "uPVC DG", "Double glazed", "duoble"),
    "double_2022": ("New double", "Double 2022"),
    "secondary": ("Secondary",),
}
HEATING_WORDS: Words = {
    "gas_condensing_boiler": ("Gas Combi",) * 5
    + ("Gas boiler", "GCH", "gas central heating", "gas comib"),
    "gas_noncondensing_boiler": ("Old gas boiler", "Gas boiler (pre 2005)"),
    "gas_back_boiler": ("Back boiler", "BBU"),
    "gas_room_heater": ("Gas fires", "Gas room heaters"),
    "electric_storage_heaters": ("Storage Heaters", "Night storage", "NSH", "storgae heaters"),
    "electric_direct": ("Panel heaters", "Electric"),
    "air_source_heat_pump": ("ASHP", "Air source heat pump"),
    "oil_condensing_boiler": ("Oil boiler", "Oil"),
    "heat_network": ("District heating", "Communal", "Heat network"),
}
EPC_WORDS: Words = {band: (band,) * 6 + (f"Band {band}", band.lower()) for band in "ABCDEFG"}
LOW_INCOME_WORDS: Words = {"yes": ("Y", "Yes"), "no": ("N", "No")}
HERITAGE_WORDS: Words = {
    "none": ("None", "No", "N"),
    "listed": ("Grade II", "Listed", "Grade II listed"),
    "conservation_area": ("Conservation Area", "CA", "Cons area"),
}
WALLS_REFUSED_WORDS: Words = {"front": ("Front", "Front elevation", "street elevation")}
WORDS_BY_COLUMN: Mapping[str, Words] = {
    "tenure": TENURE_WORDS,
    "property_type": PROPERTY_TYPE_WORDS,
    "built_form": BUILT_FORM_WORDS,
    "floor_position": FLOOR_POSITION_WORDS,
    "wall_construction": WALL_WORDS,
    "wall_insulation": WALL_INSULATION_WORDS,
    "glazing": GLAZING_WORDS,
    "heating": HEATING_WORDS,
    "epc_band": EPC_WORDS,
    "low_income": LOW_INCOME_WORDS,
    "heritage": HERITAGE_WORDS,
    "walls_refused": WALLS_REFUSED_WORDS,
}


def in_styles(
    homes: pl.DataFrame, rng: np.random.Generator, styles: Sequence[tuple[float, pl.Expr]]
) -> pl.Series:
    """Text of each home in one of several styles; each style comes with its share of the rows."""
    edges = np.cumsum([share for share, _ in styles])
    choice = np.searchsorted(edges / edges[-1], rng.random(homes.height), side="right")
    text = NOTHING
    for number, (_, style) in enumerate(styles):
        text = pl.when(pl.lit(pl.Series(choice)) == number).then(style).otherwise(text)
    return homes.select(text.alias("text")).to_series()


def in_words(
    codes: pl.Series, rng: np.random.Generator, words: Words, unknown: Mapping[str, float]
) -> pl.Series:
    """A landlord's word for each code; `unknown` holds words for "not known" with their shares."""
    lexicon = pl.Series([word for said in words.values() for word in said])
    counts = {code: len(said) for code, said in words.items()}
    starts = {
        code: end - counts[code]
        for code, end in zip(counts, accumulate(counts.values()), strict=True)
    }
    start = codes.replace_strict(starts, default=None, return_dtype=pl.Int64)
    count = codes.replace_strict(counts, default=None, return_dtype=pl.Int64)
    at = start + (pl.Series(rng.random(len(codes))) * count).floor().cast(pl.Int64)
    said_text = pl.lit(lexicon.gather(at))
    frame = pl.DataFrame({"code": codes})
    known_share = 1.0 - sum(unknown.values())
    others = [(share, pl.lit(word) if word else NOTHING) for word, share in unknown.items()]
    text = in_styles(frame, rng, [(known_share, said_text), *others])
    return frame.select(pl.when(pl.col("code").is_not_null()).then(text)).to_series()


def whole(number: pl.Expr) -> pl.Expr:
    """A number rounded to whole, as text."""
    return number.round().cast(pl.Int64).cast(pl.String)


def decimals(number: pl.Expr, places: int) -> pl.Expr:
    """A number rounded to some places, as text without needless noughts."""
    return number.round(places).cast(pl.Float64).cast(pl.String)


def with_comma(number: pl.Expr) -> pl.Expr:
    """A whole number with a comma at the thousands: 1,012."""
    count = number.round().cast(pl.Int64)
    rest = (count % 1000).cast(pl.String).str.zfill(3)
    return (
        pl.when(count < 1000).then(whole(number)).otherwise(pl.format("{},{}", count // 1000, rest))
    )


def tidy_address() -> pl.Expr:
    """12 Alder Row, Tarnwick; Flat 3 Sorrel Court, Tarnwick."""
    house = pl.format("{} {}, Tarnwick", "number", "street")
    flat = pl.format("Flat {} {}, Tarnwick", "number", "street")
    return pl.when(pl.col("floor_position").is_null()).then(house).otherwise(flat)


def shouted_address() -> pl.Expr:
    """ALDER ROW 12 TARNWICK; SORREL COURT FLAT 3 TARNWICK."""
    street = pl.col("street").str.to_uppercase()
    house = pl.format("{} {} TARNWICK", street, "number")
    flat = pl.format("{} FLAT {} TARNWICK", street, "number")
    return pl.when(pl.col("floor_position").is_null()).then(house).otherwise(flat)


def property_refs(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """The landlord's own key, in order, with gaps where homes were pulled down."""
    number = np.cumsum(rng.integers(1, 4, homes.height)) + 1000
    return pl.select(pl.format("TH{}", pl.Series(number).cast(pl.String).str.zfill(7))).to_series()


def uprns_partly_missing(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """Twelve made-up digits that all start with 99977; one in eight is missing."""
    number = pl.lit(pl.Series(999_770_000_000 + np.arange(homes.height) * 3)).cast(pl.String)
    return in_styles(homes, rng, [(0.88, number), (0.09, NOTHING), (0.03, pl.lit("N/K"))])


def addresses_in_two_styles(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """Seven in ten tidy, the rest from an older system that shouted and put the street first."""
    return in_styles(homes, rng, [(0.7, tidy_address()), (0.3, shouted_address())])


def postcodes_loose(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """Postcodes without their space, in small letters, or missing."""
    code = pl.col("postcode")
    closed = code.str.replace(" ", "")
    small = code.str.to_lowercase()
    return in_styles(homes, rng, [(0.85, code), (0.08, closed), (0.06, small), (0.01, NOTHING)])


def estates(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """The estate as it is managed."""
    return homes["estate"]


def tenures_in_words(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """Let, sold, leased: in three vocabularies and two misspellings."""
    return in_words(homes["tenure"], rng, TENURE_WORDS, {"": 0.02})


def property_types_in_words(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """House, Hse, hosue, with stray spaces about some of them."""
    text = pl.lit(in_words(homes["property_type"], rng, PROPERTY_TYPE_WORDS, {}))
    return in_styles(homes, rng, [(0.96, text), (0.04, pl.format(" {}  ", text))])


def built_forms_in_words(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """Mid Terrace, MT, Terraced, mid terrance."""
    return in_words(homes["built_form"], rng, BUILT_FORM_WORDS, {})


def flat_positions_in_words(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """Ground, GF, G; empty for a home that is no flat."""
    return in_words(homes["floor_position"], rng, FLOOR_POSITION_WORDS, {})


def storeys_partly_missing(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """Storeys within the home, one in twelve missing."""
    return in_styles(
        homes, rng, [(0.92, whole(pl.col("storeys"))), (0.06, NOTHING), (0.02, pl.lit("N/K"))]
    )


def heights_of_tall_blocks(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """Height for every home in a tower and for some in low blocks; never for houses."""
    height = decimals(pl.col("building_height_m"), 1)
    known = in_styles(homes, rng, [(0.4, height), (0.6, NOTHING)])
    return homes.select(
        pl.when(pl.col("building_height_m") > 15).then(height).otherwise(known)
    ).to_series()


def ages_in_many_forms(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """1934; C; band C; 1930-1949; 1930s; pre 1900."""
    year = pl.col("construction_year")
    number = pl.sum_horizontal([(year >= first).cast(pl.Int64) for first in BAND_FIRST_YEARS])
    band = number.replace_strict(dict(enumerate("ABCDEFGHI")), return_dtype=pl.String)
    spans = {n: f"{a}-{b - 1}" for n, (a, b) in enumerate(pairwise(BAND_FIRST_YEARS), 1)}
    span = number.replace_strict(spans, default="pre 1900", return_dtype=pl.String)
    decade = (
        pl.when(year < 1900).then(pl.lit("pre 1900")).otherwise(pl.format("{}s", year // 10 * 10))
    )
    return in_styles(
        homes,
        rng,
        [
            (0.56, year.cast(pl.String)),
            (0.12, band),
            (0.08, pl.format("band {}", band)),
            (0.12, span),
            (0.12, decade),
        ],
    )


def floor_areas_in_two_units(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """85; 85.3; 85 m2; 914 sq ft; 1,012 sq ft."""
    m2 = pl.col("floor_area_m2")
    sq_ft = pl.format("{} sq ft", with_comma(m2 * SQ_FT_PER_M2))
    labelled = pl.format("{} m2", whole(m2))
    return in_styles(
        homes, rng, [(0.55, whole(m2)), (0.27, decimals(m2, 1)), (0.08, labelled), (0.1, sq_ft)]
    )


def wall_constructions_in_words(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """Solid Brick, 9 inch solid brick, solid brik."""
    return in_words(homes["construction"], rng, WALL_WORDS, {})


def wall_insulations_in_words(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """As built, EWI, nonw; one in ten not known unless the wall is insulated."""
    said = in_words(homes["wall_insulation"], rng, WALL_INSULATION_WORDS, {})
    bare = in_styles(homes, rng, [(0.88, pl.lit(said)), (0.09, NOTHING), (0.03, pl.lit("unknwn"))])
    is_bare = pl.col("wall_insulation") == "none"
    return homes.select(pl.when(is_bare).then(pl.lit(bare)).otherwise(pl.lit(said))).to_series()


def wall_thicknesses_in_units(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """9 in; 225mm; 0.23 m; 225; N/K; TBC; unknwn; half of them empty."""
    mm = pl.col("wall_thickness_mm") + pl.lit(pl.Series(rng.integers(-2, 3, homes.height) * 5))
    return in_styles(
        homes,
        rng,
        [
            (0.50, NOTHING),
            (0.20, whole(mm)),
            (0.12, pl.format("{}mm", whole(mm))),
            (0.06, pl.format("{} in", whole(mm / MM_PER_INCH))),
            (0.05, pl.format("{} m", decimals(mm / 1000, 2))),
            (0.03, pl.lit("N/K")),
            (0.02, pl.lit("unknwn")),
            (0.02, pl.lit("TBC")),
        ],
    )


def wall_areas_partly_missing(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """Net wall area for six homes in ten, some with the unit, a few in square feet."""
    m2 = pl.col("wall_area_m2")
    sq_ft = pl.format("{} sq ft", with_comma(m2 * SQ_FT_PER_M2))
    labelled = pl.format("{} m2", whole(m2))
    return in_styles(
        homes, rng, [(0.52, decimals(m2, 1)), (0.06, labelled), (0.02, sq_ft), (0.4, NOTHING)]
    )


def treatable_shares_in_two_styles(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """80% and 0.8 mean the same; one in six is empty."""
    share = pl.col("treatable_share")
    percent = pl.format("{}%", whole(share * 100))
    return in_styles(homes, rng, [(0.6, percent), (0.24, decimals(share, 2)), (0.16, NOTHING)])


def u_values_mostly_missing(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """A measured U-value for one home in four."""
    u = decimals(pl.col("u_existing_w_m2k"), 2)
    return in_styles(homes, rng, [(0.25, u), (0.7, NOTHING), (0.05, pl.lit("N/K"))])


def window_areas_mostly_missing(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """Window area for a third of the homes."""
    m2 = pl.col("window_area_m2")
    labelled = pl.format("{} m2", whole(m2))
    return in_styles(homes, rng, [(0.3, decimals(m2, 1)), (0.05, labelled), (0.65, NOTHING)])


def glazing_in_words(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """DG, uPVC DG, Old double, singel."""
    return in_words(homes["glazing"], rng, GLAZING_WORDS, {"": 0.07, "N/K": 0.03})


def lofts_in_units(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """270; 270mm; 4 in; N/K; empty where the home has no roof of its own."""
    mm = pl.col("loft_insulation_mm")
    inches = pl.format("{} in", whole(mm / MM_PER_INCH))
    text = in_styles(
        homes,
        rng,
        [
            (0.50, whole(mm)),
            (0.25, pl.format("{}mm", whole(mm))),
            (0.05, inches),
            (0.05, pl.lit("N/K")),
            (0.15, NOTHING),
        ],
    )
    return homes.select(pl.when(mm.is_not_null()).then(pl.lit(text))).to_series()


def heating_in_words(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """Gas Combi, GCH, BBU, storgae heaters."""
    return in_words(homes["heating"], rng, HEATING_WORDS, {"": 0.03, "TBC": 0.01})


def epc_bands_with_gaps(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """D, d, Band D; one in six homes has no certificate on record."""
    return in_words(homes["epc_band"], rng, EPC_WORDS, {"": 0.13, "No data": 0.03})


def gas_for_some_gas_homes(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """Metered gas for four gas homes in ten."""
    text = in_styles(homes, rng, [(0.4, whole(pl.col("gas_kwh_per_year"))), (0.6, NOTHING)])
    on_gas = pl.col("heating").str.starts_with("gas_")
    return homes.select(pl.when(on_gas).then(pl.lit(text))).to_series()


def low_incomes_half_known(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """Y or N for half the homes."""
    return in_words(homes["low_income"], rng, LOW_INCOME_WORDS, {"": 0.45, "N/K": 0.05})


def heritage_in_words(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """CA, Cons area, Grade II; mostly empty where there is nothing to say."""
    said = in_words(homes["heritage"], rng, HERITAGE_WORDS, {})
    bare = in_styles(homes, rng, [(0.3, pl.lit(said)), (0.7, NOTHING)])
    plain = pl.col("heritage") == "none"
    return homes.select(pl.when(plain).then(pl.lit(bare)).otherwise(pl.lit(said))).to_series()


def walls_refused_where_some_are(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """Front, Front elevation; empty where no wall is refused. Draws from a stream of its own."""
    return in_words(homes["walls_refused"], rng.spawn(1)[0], WALLS_REFUSED_WORDS, {})


def clearances_seldom_known(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """Room outside the wall for one home in seventeen: 600; 450mm; 0.9 m."""
    mm = pl.col("clearance_mm")
    metres = pl.format("{} m", decimals(mm / 1000, 2))
    labelled = pl.format("{}mm", whole(mm))
    return in_styles(
        homes, rng, [(0.04, whole(mm)), (0.01, labelled), (0.01, metres), (0.94, NOTHING)]
    )


def gas_services_stray(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """A column the tool does not know: day of the last gas service."""
    month, day = rng.integers(1, 13, homes.height), rng.integers(1, 29, homes.height)
    two = [pl.lit(pl.Series(part)).cast(pl.String).str.zfill(2) for part in (day, month)]
    on_gas = pl.col("heating").str.starts_with("gas_")
    return homes.select(pl.when(on_gas).then(pl.format("{}/{}/2025", *two))).to_series()


def officers_stray(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """A column the tool does not know: who looks after the street, without a name."""
    return homes.select(pl.format("Officer {}", pl.col("street_no") % 9 + 1)).to_series()


def notes_stray(homes: pl.DataFrame, rng: np.random.Generator) -> pl.Series:
    """A column the tool does not know. Each row says that the home is invented."""
    plain = "Invented home"
    remarks = ("dog, ring first", "access by rear lane, shared", 'says "damp in back bedroom"')
    styles = [(0.03, pl.lit(f"{plain}; {remark}")) for remark in remarks]
    return in_styles(homes, rng, [(0.91, pl.lit(plain)), *styles])
