"""The homes of the invented town of Tarnwick as they are, before anybody writes them down.

Streets are of like homes: one construction, year, type and plan. All names, postcodes and
figures are invented; the shapes of the distributions are a judgement, not a survey.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import polars as pl

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

STOREY_HEIGHT_M = 2.5
BLOCK_STOREY_HEIGHT_M = 2.8
STREETS_PER_ESTATE = 6
EPC_LEAST_POINTS = (21, 39, 55, 69, 81, 92)  # of bands F, E, D, C, B, A
HOMES_PER_STREET = {"terrace": 36, "semi": 28, "detached": 16, "block": 24, "tower": 48}
EXPOSED_SHARE = {"detached": 1.0, "semi_detached": 0.75, "end_terrace": 0.75, "mid_terrace": 0.5}


class Archetype(NamedTuple):
    """A kind of street. `share_percent` is its part of all homes; the shares sum to 100."""

    share_percent: float
    construction: str
    property_type: str
    plan: str
    first_year: int
    last_year: int
    floor_area_m2: float
    wall_thickness_mm: float
    u_w_m2k: float


ARCHETYPES = (
    Archetype(8, "solid_brick", "house", "terrace", 1890, 1899, 82, 225, 1.60),
    Archetype(12, "solid_brick", "house", "terrace", 1900, 1914, 78, 225, 1.58),
    Archetype(8, "solid_brick", "house", "terrace", 1919, 1929, 76, 225, 1.55),
    Archetype(14, "solid_brick", "house", "semi", 1925, 1939, 86, 225, 1.55),
    Archetype(6, "solid_brick", "house", "terrace", 1934, 1948, 74, 225, 1.52),
    Archetype(5, "solid_brick", "flat", "block", 1930, 1939, 58, 330, 1.45),
    Archetype(2, "solid_brick", "bungalow", "semi", 1930, 1938, 52, 225, 1.55),
    Archetype(4, "system_built", "house", "semi", 1946, 1955, 88, 250, 1.80),
    Archetype(4, "system_built", "house", "terrace", 1955, 1968, 82, 250, 1.75),
    Archetype(4, "system_built", "flat", "tower", 1964, 1970, 62, 230, 1.85),
    Archetype(5, "stone_sandstone", "house", "terrace", 1890, 1905, 80, 500, 1.60),
    Archetype(3, "stone_granite", "house", "terrace", 1890, 1910, 92, 520, 1.75),
    Archetype(6, "cavity", "house", "semi", 1950, 1964, 84, 255, 1.40),
    Archetype(2, "cavity", "house", "terrace", 1967, 1975, 80, 260, 1.35),
    Archetype(4, "cavity", "flat", "block", 1955, 1972, 56, 260, 1.40),
    Archetype(3, "cavity", "bungalow", "semi", 1960, 1972, 54, 260, 1.35),
    Archetype(3, "filled_cavity", "house", "semi", 1968, 1975, 82, 265, 0.62),
    Archetype(2, "filled_cavity", "flat", "block", 1976, 1982, 54, 270, 0.50),
    Archetype(1, "filled_cavity", "house", "detached", 1985, 1995, 104, 280, 0.42),
    Archetype(1, "filled_cavity", "bungalow", "semi", 1976, 1982, 56, 270, 0.48),
    Archetype(2, "timber_frame", "house", "terrace", 1967, 1975, 76, 260, 0.80),
    Archetype(1, "timber_frame", "maisonette", "block", 1970, 1980, 72, 260, 0.70),
)


def _words(text: str) -> tuple[str, ...]:
    """The words of a text, in order."""
    return tuple(text.split())


# Seventy stems: a whole number of times the fourteen street kinds and the seven block kinds.
STEMS = _words("""
    Alder Sorrel Hawk Millrace Thistle Rowan Curlew Quarry Bracken Lark Hazel Weir Teasel Heron
    Birch Gorse Plover Kiln Fern Wren Maple Tannery Yarrow Finch Willow Ford Clover Swift Aspen
    Mossy Dunlin Forge Heather Dove Linden Beck Bramble Kestrel Holly Tarn Campion Jay Juniper
    Sluice Mallow Starling Elder Moor Tansy Linnet Larch Fell Vetch Siskin Cherry Scar Burdock
    Owl Spindle Gill Bryony Merlin Medlar Rigg Comfrey Avocet Quince Holm Lovage Pipit
""")
STREET_KINDS = _words("""
    Row Street Road Terrace Lane Close Avenue Grove Crescent Gardens Walk Drive Rise Way
""")
BLOCK_KINDS = _words("Court House Point Lodge Place View Heights")
ESTATE_KINDS = _words("Estate Park Fields Hill Green Side Ends")
ENDINGS = (
    "",
    *_words("garth holme thwaite side croft bank field gate dale wood how mere pool stead worth"),
    *_words("combe den hurst shaw land ridge cliff brook well mead slack syke rake royd nook"),
)
PREFIXES = ("", "Upper ", "Lower ", "Old ", "New ", "Far ", "Near ", "High ")
POSTCODE_LETTERS = "ABDEFGHJLNPQRSTUWXYZ"


def place_names(numbers: Ints, kinds: Sequence[str]) -> list[str]:
    """Invented names, a different one for each number below 70 x kinds x 31 x 8."""
    n_stems, n_kinds = len(STEMS), len(kinds)
    turn = numbers // n_stems
    kind = (numbers + turn) % n_kinds
    ending = turn // n_kinds % len(ENDINGS)
    prefix = turn // (n_kinds * len(ENDINGS)) % len(PREFIXES)
    parts = np.stack([prefix, numbers % n_stems, ending, kind], axis=1).tolist()
    return [f"{PREFIXES[p]}{STEMS[s]}{ENDINGS[e]} {kinds[k]}" for p, s, e, k in parts]


def postcodes(numbers: Ints) -> list[str]:
    """Postcodes in HX77 to HX79, districts that do not exist; they repeat after 10,800."""
    letters = len(POSTCODE_LETTERS)
    spread = numbers * 7 % (3 * 9 * letters * letters)
    return [
        f"HX{77 + n % 3} {1 + n // 3 % 9}"
        f"{POSTCODE_LETTERS[n // 27 % letters]}{POSTCODE_LETTERS[n // 27 // letters]}"
        for n in spread.tolist()
    ]


def homes_of_archetypes(homes: int) -> Ints:
    """Homes of each archetype, by its share; the counts sum to `homes`."""
    shares = np.array([kind.share_percent for kind in ARCHETYPES])
    edges = np.rint(np.cumsum(shares) / shares.sum() * homes).astype(np.int64)
    counts: Ints = edges - np.concatenate(([0], edges[:-1]))
    return counts


def street_sizes(homes: int, plan: str, rng: np.random.Generator) -> Ints:
    """`homes` cut into streets, or into blocks nearly all alike; none is empty."""
    typical = HOMES_PER_STREET[plan]
    uneven = 0.0 if plan in ("block", "tower") else 0.3 * typical
    streets = max(1, round(homes / typical))
    cuts = np.linspace(0, homes, streets + 1)
    cuts[1:-1] += rng.uniform(-uneven, uneven, streets - 1)
    edges = np.rint(cuts).astype(np.int64)
    sizes: Ints = edges[1:] - edges[:-1]
    return sizes[sizes > 0]


def streets(homes: int, rng: np.random.Generator) -> pl.DataFrame:
    """One row per street or block, oldest first, six to an estate."""
    sizes = [
        street_sizes(count, kind.plan, rng)
        for kind, count in zip(ARCHETYPES, homes_of_archetypes(homes).tolist(), strict=True)
    ]
    archetype = np.repeat(np.arange(len(ARCHETYPES)), [len(part) for part in sizes])
    kinds = pl.DataFrame(ARCHETYPES, schema=Archetype._fields, orient="row")
    table = kinds[archetype].with_columns(archetype=archetype, homes=np.concatenate(sizes))
    n = table.height
    table = table.with_columns(
        construction_year=rng.integers(
            table["first_year"].to_numpy(), table["last_year"].to_numpy() + 1
        ),
        area_factor=np.exp(rng.normal(0, 0.06, n)),
        u_street_w_m2k=table["u_w_m2k"].to_numpy() * np.exp(rng.normal(0, 0.03, n)),
        block_storeys=rng.integers(3, 5, n),
    ).sort("construction_year", "archetype", maintain_order=True)
    return _with_names(_with_block_storeys(table))


def _with_block_storeys(table: pl.DataFrame) -> pl.DataFrame:
    """Storeys of the building: towers have 8 and 10 by turns, maisonettes stack in pairs."""
    turn = (pl.col("plan") == "tower").cum_sum() % 2
    return table.with_columns(
        block_storeys=pl.when(pl.col("plan") == "tower")
        .then(8 + 2 * (1 - turn))
        .when(pl.col("property_type") == "maisonette")
        .then(4)
        .otherwise("block_storeys")
        .cast(pl.Int64)
    )


def _with_names(table: pl.DataFrame) -> pl.DataFrame:
    """Street, estate and postcode for each street."""
    number = np.arange(table.height)
    far_apart = (number // STREETS_PER_ESTATE + 1) * 491  # a prime, so that every estate differs
    estates = place_names(far_apart, ESTATE_KINDS)
    named = table.with_columns(
        estate=pl.Series(estates),
        postcode=pl.Series(postcodes(number)),
        road=pl.Series(place_names(number, STREET_KINDS)),
        block=pl.Series(place_names(number, BLOCK_KINDS)),
    )
    in_block = pl.col("plan").is_in(["block", "tower"])
    return named.with_columns(street=pl.when(in_block).then("block").otherwise("road"))


def clean_homes(homes: int, rng: np.random.Generator) -> pl.DataFrame:
    """`homes` homes with true values: codes as in codes.csv, areas in m2, lengths in mm."""
    table = streets(homes, rng)
    size = table["homes"].to_numpy()
    street = np.repeat(np.arange(table.height), size)
    number = np.arange(homes) - np.repeat(np.cumsum(size) - size, size) + 1
    frame = table[street].with_columns(street_no=street, number=number)
    frame = frame.with_columns(run=pl.struct("street_no", pl.col("number") // 6).rle_id())
    own = rng.spawn(1)[0]
    for add in (_with_form, _with_size, _with_wall, _with_openings, _with_heating, _with_people):
        frame = add(frame, rng)
    return _with_refused_fronts(frame, own)


def _with_refused_fronts(frame: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """One home in twenty of the conservation area may not have its front insulated."""
    inside = (frame["heritage"] == "conservation_area").to_numpy()
    chosen = np.zeros(frame.height, dtype=bool)
    places = np.flatnonzero(inside)
    chosen[rng.permutation(places)[: round(0.05 * places.size)]] = True
    return frame.with_columns(
        walls_refused=pl.when(pl.Series(chosen)).then(pl.lit("front")).otherwise(pl.lit("none"))
    )


def _with_form(frame: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """Storeys in the home, place in the block, built form; terraces stand in rows of six."""
    type_, plan, number = pl.col("property_type"), pl.col("plan"), pl.col("number")
    in_block = plan.is_in(["block", "tower"])
    per_level = pl.col("homes").truediv(pl.col("block_storeys") // pl.col("storeys")).ceil()
    level = ((number - 1) / per_level).floor()
    last_level = ((pl.col("homes") - 1) / per_level).floor()
    along = pl.when(in_block).then((number - 1) % per_level).otherwise((number - 1) % 6)
    at_end = (
        (along == 0)
        | (along == pl.when(in_block).then(per_level - 1).otherwise(5))
        | (number == pl.col("homes"))
    )
    two_storeys = type_.is_in(["house", "maisonette"])
    return frame.with_columns(storeys=pl.when(two_storeys).then(2).otherwise(1)).with_columns(
        floor_position=pl.when(in_block).then(
            pl.when(level == 0)
            .then(pl.lit("ground"))
            .when(level == last_level)
            .then(pl.lit("top"))
            .otherwise(pl.lit("mid"))
        ),
        built_form=pl.when(plan == "semi")
        .then(pl.lit("semi_detached"))
        .when(plan == "detached")
        .then(pl.lit("detached"))
        .when(at_end)
        .then(pl.lit("end_terrace"))
        .otherwise(pl.lit("mid_terrace")),
        building_height_m=pl.when(in_block).then(
            (pl.col("block_storeys") - 1) * BLOCK_STOREY_HEIGHT_M + 0.6
        ),
    )


def _with_size(frame: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """Floor area near the street's own, between 40 and 120 m2."""
    varied = pl.Series(np.exp(rng.normal(0, 0.04, frame.height)))
    area = pl.col("floor_area_m2") * pl.col("area_factor") * varied
    return frame.with_columns(floor_area_m2=area.clip(40, 120).round(1))


def _with_wall(frame: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """Insulation the wall has, in runs of neighbours, and the U-value that goes with it."""
    lucky = pl.Series(rng.random(frame["run"][-1] + 1)[frame["run"].to_numpy()])
    noise = pl.Series(np.exp(rng.normal(0, 0.05, frame.height)))
    hard_to_treat = pl.col("construction").is_in(["solid_brick", "system_built", "cavity"])
    insulation = (
        pl.when(pl.col("construction") == "filled_cavity")
        .then(pl.lit("filled_cavity"))
        .when(hard_to_treat & (lucky < 0.11))
        .then(pl.lit("external"))
        .when((pl.col("plan") == "terrace") & (lucky > 0.95))
        .then(pl.lit("internal"))
        .otherwise(pl.lit("none"))
    )
    u_bare = (pl.col("u_street_w_m2k") * noise).clip(0.35, 2.1)
    brick = pl.col("construction") == "solid_brick"
    added = {"external": 0.33, "internal": 0.42}
    u_added = insulation.replace_strict(added, default=None, return_dtype=pl.Float64) * noise
    return frame.with_columns(
        wall_insulation=insulation,
        u_existing_w_m2k=u_added.fill_null(
            pl.when(brick).then(u_bare.clip(1.3, 1.9)).otherwise(u_bare)
        ),
    )


def _with_openings(frame: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """Windows, and the net wall of a square plan whose party walls are closed."""
    area, storeys = pl.col("floor_area_m2"), pl.col("storeys")
    varied = pl.Series(rng.uniform(0.92, 1.08, frame.height))
    in_block = pl.col("floor_position").is_not_null()
    window = pl.when(in_block).then(area * 0.07 + 6.0).otherwise(area * 0.12 + 6.5) * varied
    share = pl.col("built_form").replace_strict(EXPOSED_SHARE, return_dtype=pl.Float64)
    gross = 4 * (area / storeys).sqrt() * share * STOREY_HEIGHT_M * storeys
    measured = pl.Series(rng.uniform(0.95, 1.05, frame.height))
    return frame.with_columns(
        window_area_m2=window.round(1), wall_area_m2=((gross - window) * measured).round(1)
    )


def _with_heating(frame: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """Main heating, EPC band, and the gas a meter would show in a year."""
    n = frame.height
    draw, rated, used = pl.Series(rng.random(n)), rng.normal(0, 7, n), rng.normal(0, 0.25, n)
    gas = ["gas_condensing_boiler"] * 44 + ["gas_noncondensing_boiler"] * 3
    homes_like = gas + ["gas_back_boiler", "gas_room_heater"] + ["air_source_heat_pump"] * 2
    flats_like = gas[:30] + ["electric_storage_heaters"] * 14 + ["electric_direct"] * 2
    stone_like = gas[:40] + ["oil_condensing_boiler"] * 7 + ["electric_storage_heaters"] * 2
    heating = (
        pl.when(pl.col("plan") == "tower")
        .then(pl.lit("heat_network"))
        .when(pl.col("plan") == "block")
        .then(_one_of(flats_like, draw))
        .when(pl.col("construction").str.starts_with("stone"))
        .then(_one_of(stone_like, draw))
        .otherwise(_one_of(homes_like, draw))
    )
    sap = 72 - 11 * pl.col("u_existing_w_m2k") + pl.Series(rated)
    gas_kwh = pl.col("floor_area_m2") * (60 + 55 * pl.col("u_existing_w_m2k"))
    reached = pl.sum_horizontal([(sap >= least).cast(pl.Int64) for least in EPC_LEAST_POINTS])
    bands = reached.replace_strict(dict(enumerate("GFEDCBA")), return_dtype=pl.String)
    return frame.with_columns(
        heating=heating,
        epc_band=bands,
        gas_kwh_per_year=(gas_kwh * pl.Series(np.exp(used))).clip(5000, 20000).round(),
    )


def _one_of(words: Sequence[str], draw: pl.Series) -> pl.Expr:
    """The word at each draw between 0 and 1."""
    return pl.lit(pl.Series(words).gather((draw * len(words)).floor().cast(pl.Int64)))


def _with_people(frame: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """Tenure, heritage, treatable share, room outside, loft, glazing."""
    n = frame.height
    by_run = pl.Series(rng.random(frame["run"][-1] + 1)[frame["run"].to_numpy()])
    by_home = pl.Series(rng.random(n))
    old = pl.col("construction_year") < 1911
    under_roof = pl.col("floor_position").fill_null("top") == "top"
    lofts_mm = rng.choice(
        [0, 50, 100, 150, 200, 270, 300], n, p=[0.03, 0.06, 0.2, 0.2, 0.16, 0.28, 0.07]
    )
    tenures = ["social_rent"] * 88 + ["shared_ownership"] * 2 + ["leasehold"] * 8 + ["private"] * 2
    flat_tenures = ["social_rent"] * 78 + ["leasehold"] * 22
    in_block = pl.col("floor_position").is_not_null()
    draw = pl.Series(rng.random(n))
    glazing = ["double_2002"] * 11 + ["double_pre2002"] * 6 + ["single", "double_2022", "secondary"]
    return frame.with_columns(
        tenure=pl.when(in_block)
        .then(_one_of(flat_tenures, draw))
        .otherwise(_one_of(tenures, draw)),
        heritage=pl.when(old & (by_home < 0.025))
        .then(pl.lit("listed"))
        .when(old & (by_run < 0.14))
        .then(pl.lit("conservation_area"))
        .otherwise(pl.lit("none")),
        treatable_share=pl.Series(rng.choice([1.0, 0.8, 0.75, 0.6], n, p=[0.84, 0.08, 0.04, 0.04])),
        clearance_mm=pl.Series(rng.integers(3, 25, n) * 50),
        loft_insulation_mm=pl.when(under_roof).then(pl.Series(lofts_mm)),
        glazing=_one_of(glazing, pl.Series(rng.random(n))),
        low_income=pl.when(pl.Series(rng.random(n)) < 0.45)
        .then(pl.lit("yes"))
        .otherwise(pl.lit("no")),
    )
