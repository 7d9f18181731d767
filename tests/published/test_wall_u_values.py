"""Wall U-values against published worked examples, and our own arithmetic by BS EN ISO 6946:2017.

Cases A are published, with the tolerance their printed rounding leaves. Cases D are not published:
they guard against regression, to half a unit of the last digit written.
"""

import csv
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline import reference
from pipeline.physics import wall

_TEXT = (Path(__file__).parent / "wall_cases.csv").read_text(encoding="utf-8")
CASES = list(csv.DictReader(_TEXT.splitlines()))
LIMIT = 1.5  # upper over lower limit, BS EN ISO 6946:2017 6.7.2
ALPHA = 0.8  # fixing through the whole insulation, BS EN ISO 6946:2017 Annex F.3

BRICK = (0.013 / 0.57, 0.1025 / 0.56, 0.010 / 0.88, 0.1025 / 0.77)  # case D1, inside to outside
RENDER = 0.008 / 0.70
MORTAR = 1.0 - (440.0 * 215.0) / (450.0 * 225.0)  # blocks of 440 x 215 mm with 10 mm joints
PIN_SECTION = 3.141592653589793 * 0.004**2  # a solid pin of 8 mm


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["case"])
def test_homogeneous_layers(case: dict[str, str]) -> None:
    pairs = (pair.split("/") for pair in case["layers_m_and_w_mk"].split())
    layers = [wall.layer_resistance(float(d), float(k)) for d, k in pairs]
    layers += [float(r) for r in case["fixed_resistances"].split()]
    u = wall.u_value(layers, float(case["r_inside"]), float(case["r_outside"]))
    assert u == pytest.approx(float(case["u"]), abs=float(case["tolerance"]))


@pytest.mark.parametrize(
    ("plain", "battens", "published", "tolerance"),
    [
        pytest.param(0.59, 0.88, 1.64, 0.025, id="A3-cladding-on-battens"),
        pytest.param(1.52, 0.88, 0.71, 0.006, id="A4-insulation-between-battens"),
    ],
)
def test_parallel_paths(plain: float, battens: float, published: float, tolerance: float) -> None:
    """A3, A4: 10 % battens; the page takes the upper limit only, and a sheltered outside of 0.13.

    Source: http://www.conserveandsave.co.uk/calculations/wall-u-values, second and third table.
    """
    surfaces = 0.13 + 0.13
    paths = [(0.9, [plain - surfaces]), (0.1, [battens - surfaces])]
    _, upper, _ = wall.combined_resistance(paths, 0.13, 0.13, LIMIT)
    assert 1.0 / upper == pytest.approx(published, abs=tolerance)


PB35 = [  # wall, insulation m, U plane, chi W/K, U with four anchors, increase
    ("masonry", 0.300, 0.127, 0.0035, 0.141, 0.111),
    ("masonry", 0.250, 0.151, 0.0040, 0.167, 0.106),
    ("concrete", 0.300, 0.129, 0.0037, 0.143, 0.115),
    ("concrete", 0.250, 0.153, 0.0042, 0.170, 0.110),
]
PB35_CONDUCTIVITY = 0.040  # implied by the two masonry walls: 0.05 / (1/0.127 - 1/0.151)


@pytest.mark.parametrize("case", PB35, ids=lambda case: f"{case[0]} {1000 * case[1]:.0f}")
def test_external_insulation_with_steel_anchors(
    case: tuple[str, float, float, float, float, float],
) -> None:
    """A9: four steel anchors per m2 add 4 chi; tolerance 0.001 W/m2K.

    Source: Passivhaus Institut, PB 35 Appendix A, Table A1,
    https://passipedia.org/passipedia_en/phi_publications/pb_35/
    """
    name, thickness, plane, chi, total, increase = case
    r_insulation = thickness / PB35_CONDUCTIVITY
    bare = {n: 1.0 / (1.0 / u - d / PB35_CONDUCTIVITY) for n, d, u, *_ in PB35 if d == 0.300}[name]
    assert wall.u_after(bare, r_insulation, 0.0, 0.0) == pytest.approx(plane, abs=0.001)
    own = wall.u_after(bare, r_insulation, 0.0, 4 * chi)
    assert own == pytest.approx(total, abs=0.001)
    assert 4 * chi / plane == pytest.approx(increase, abs=0.001 / plane)


@pytest.mark.parametrize(("thickness", "plane", "chi"), [row[1:4] for row in PB35[:2]])
def test_fixing_formula_gives_the_simulated_anchor(
    thickness: float, plane: float, chi: float
) -> None:
    """A9, masonry: 6 mm structural steel (50 W/mK assumed), within 3 % of the published chi."""
    bypass = wall.fixing_bypass(50.0, 28.27e-6, 4.0, ALPHA) / thickness
    own = wall.bypass_correction(bypass, thickness / PB35_CONDUCTIVITY, 1.0 / plane)
    assert own / 4.0 == pytest.approx(chi, rel=0.03)


EWI = [  # insulant, d mm, lambda, RT, U, (dU, Uc) of stainless pins, (dU, Uc) of carbon steel pins
    ("mineral wool", 50, 0.036, 1.9206, 0.5207, 0.0429, 0.5636, 0.1262, 0.6468),
    ("mineral wool", 90, 0.036, 3.0318, 0.3298, 0.0310, 0.3608, 0.0911, 0.4210),
    ("mineral wool", 100, 0.036, 3.3095, 0.3022, 0.0289, 0.3311, 0.0850, 0.3871),
    ("graphite EPS", 100, 0.031, 3.7576, 0.2661, 0.0302, 0.2964, 0.0889, 0.3550),
    ("phenolic", 100, 0.020, 5.5318, 0.1808, 0.0335, 0.2143, 0.0986, 0.2793),
]


@pytest.mark.parametrize("case", EWI, ids=lambda case: f"{case[0]} {case[1]}")
def test_insulated_brick_wall_with_pins(case: tuple[str, int, float, *tuple[float, ...]]) -> None:
    """D3: six solid 8 mm pins per m2; plane value, correction and sum; half of the 4th decimal."""
    _, mm, conductivity, total, plane, stainless, u_stainless, carbon, u_carbon = case
    bare = wall.u_value(BRICK, 0.13, 0.04)
    r_insulation = wall.layer_resistance(mm / 1000.0, conductivity)
    u_plane = wall.u_after(bare, r_insulation, RENDER, 0.0)
    assert 1.0 / u_plane == pytest.approx(total, abs=5e-5)
    assert u_plane == pytest.approx(plane, abs=5e-5)
    for steel, delta, corrected in ((17.0, stainless, u_stainless), (50.0, carbon, u_carbon)):
        bypass = wall.fixing_bypass(steel, PIN_SECTION, 6.0, ALPHA) / (mm / 1000.0)
        own = wall.bypass_correction(bypass, r_insulation, 1.0 / u_plane)
        assert own == pytest.approx(delta, abs=5e-5)
        after = wall.u_after(bare, r_insulation, RENDER, 0.0, bypass)
        assert after == pytest.approx(corrected, abs=5e-5)


def test_plastic_fixings_need_no_correction() -> None:
    """BS EN ISO 6946:2017 Annex F.3: none below 1 W/mK, and the boundary itself counts."""
    assert wall.fixing_bypass(0.99, PIN_SECTION, 6.0, ALPHA) == 0.0
    assert wall.fixing_bypass(1.0, PIN_SECTION, 6.0, ALPHA) == 0.8 * PIN_SECTION * 6.0


@pytest.mark.parametrize(("level", "expected"), [(0.0, 0.0), (0.01, 0.00704), (0.04, 0.02818)])
def test_air_voids(level: float, expected: float) -> None:
    """D4: mineral wool 100 mm on the brick wall; BS EN ISO 6946:2017 Annex F.2, levels 0, 1, 2."""
    r_insulation = 0.100 / 0.036
    r_total = sum(BRICK) + 0.17 + RENDER + r_insulation
    own = wall.bypass_correction(level, r_insulation, r_total)
    assert own == pytest.approx(expected, abs=5e-6)


OUTSIDE = [0.1 / 0.031, RENDER]  # graphite EPS 100 mm and render


@pytest.mark.parametrize(
    ("block", "outside", "limits", "total"),
    [
        pytest.param(0.18, [], (1.06470, 0.99787), (1.03128, 0.9697), id="D5-block-0.18"),
        pytest.param(0.11, [], (1.35835, 1.17811), (1.26823, 0.7885), id="D5-block-0.11"),
        pytest.param(0.18, OUTSIDE, (4.31606, 4.23510), (4.27558, 0.2339), id="D6-block-0.18"),
        pytest.param(0.11, OUTSIDE, (4.63961, 4.41534), (4.52748, 0.2209), id="D6-block-0.11"),
    ],
)
def test_mortar_bridged_blocks(
    block: float, outside: list[float], limits: tuple[float, float], total: tuple[float, float]
) -> None:
    """D5, D6: upper and lower limit, R and U. BS EN ISO 6946:2017 6.7.2, mortar 6.568 %."""
    paths = [
        (part, [0.1025 / 0.77, 0.18, 0.100 / conductivity, 0.013 / 0.18, *outside])
        for part, conductivity in ((1.0 - MORTAR, block), (MORTAR, 0.88))
    ]
    own, own_upper, own_lower = wall.combined_resistance(paths, 0.13, 0.04, LIMIT)
    assert (own_upper, own_lower) == pytest.approx(limits, abs=5e-6)
    assert own == pytest.approx(total[0], abs=5e-6)
    assert 1.0 / own == pytest.approx(total[1], abs=5e-5)


@pytest.mark.parametrize(("block", "error"), [(0.18, 0.032), (0.11, 0.071)])
def test_greatest_error_of_the_combined_method(block: float, error: float) -> None:
    """D5: (upper - lower) / (2 R), printed to 0.1 %; BS EN ISO 6946:2017 6.7.2.5."""
    layers = [0.1025 / 0.77, 0.18, 0.013 / 0.18]
    paths = [(1.0 - MORTAR, [*layers, 0.1 / block]), (MORTAR, [*layers, 0.1 / 0.88])]
    own, upper, lower = wall.combined_resistance(paths, 0.13, 0.04, LIMIT)
    assert (upper - lower) / (2.0 * own) == pytest.approx(error, abs=0.0005)


@pytest.mark.parametrize(
    ("bare", "expected"),
    [
        (1.7, (0.544, 0.324, 0.231, 0.179)),
        (1.5, (0.522, 0.316, 0.226, 0.176)),
        (0.7, (0.373, 0.255, 0.193, 0.156)),
        (0.8, (0.400, 0.267, 0.200, 0.160)),
        (2.1, (0.579, 0.336, 0.237, 0.183)),
        (2.0, (0.571, 0.333, 0.235, 0.182)),
    ],
)
def test_default_walls_with_insulation_of_0_040(bare: float, expected: tuple[float, ...]) -> None:
    """D7: 1/(1/U0 + d/0.040) at 50, 100, 150 and 200 mm; half of the third decimal."""
    for thickness, u in zip((0.05, 0.10, 0.15, 0.20), expected, strict=True):
        assert wall.u_after(bare, thickness / 0.040, 0.0, 0.0) == pytest.approx(u, abs=5e-4)


WALLS = st.floats(0.6, 3.3)
TARGETS = st.floats(0.12, 0.55)
CONDUCTIVITIES = st.floats(0.018, 0.060)
CORRECTIONS = st.floats(0.0, 0.09)
VOIDS = st.sampled_from([0.0, 0.01, 0.04])  # BS EN ISO 6946:2017 Annex F.2, levels 0, 1 and 2
PIERCED = st.floats(0.0, 0.02)  # six pins of 8 mm carbon steel: 0.0121 W/mK


def _first(bare: float, target: float, lam: float, losses: tuple[float, float, float]) -> float:
    """First thickness on a fine grid that reaches the target, halved down; NaN up to 10 m."""
    delta, voids, pierced = losses

    def above(metres: float) -> bool:
        return wall.u_after(bare, metres / lam, RENDER, delta, voids + pierced / metres) > target

    grid = [0.001 * 1.02**k for k in range(470)]
    at = next((k for k, metres in enumerate(grid) if not above(metres)), None)
    if at is None:
        return float("nan")
    thin, thick = (grid[at - 1] if at else 1e-9), grid[at]
    for _ in range(100):
        middle = (thin + thick) / 2.0
        thin, thick = (middle, thick) if above(middle) else (thin, middle)
    return thick


@given(WALLS, TARGETS, CONDUCTIVITIES, st.tuples(CORRECTIONS, VOIDS, PIERCED))
def test_least_thickness_against_bisection(
    bare: float, target: float, lam: float, losses: tuple[float, float, float]
) -> None:
    """Closed form and search agree to a ten-thousandth, with fixings and air voids."""
    own = float(wall.least_thickness(1.0 / bare + RENDER, target, lam, losses))
    if wall.u_after(bare, 0.0, RENDER, losses[0]) <= target:
        assert own == 0.0
    elif own > 9.0 or math.isnan(own):
        assert math.isnan(_first(bare, target, lam, losses)) or own > 9.0
    else:
        found = _first(bare, target, lam, losses)
        assert own == pytest.approx(found, rel=1e-4, abs=1e-6)


@given(WALLS, TARGETS, VOIDS, PIERCED)
def test_stocked_thickness_above_the_least_is_the_first_that_reaches(
    bare: float, target: float, voids: float, pierced: float
) -> None:
    """Rounding up to stock reaches the target, and the next thinner board does not."""
    for row in reference.load().table("insulation_systems").iter_rows(named=True):
        lam, delta = row["lambda_design_w_mk"], row["fixings_per_m2"] * row["chi_w_k"]
        losses = (delta, voids, pierced)
        least = float(wall.least_thickness(1.0 / bare + RENDER, target, lam, losses))
        for metres in (float(mm) / 1000.0 for mm in row["thicknesses_mm"].split()):
            after = wall.u_after(bare, metres / lam, RENDER, delta, voids + pierced / metres)
            if abs(metres - least) > 1e-9:
                assert (after <= target) == (metres >= least)


def test_least_thickness_by_hand() -> None:
    """Brick of D1 to 0.30 with mineral wool of 0.036 and fixings of 0.012, R = 1/0.288 - 0.532."""
    bare = wall.u_value(BRICK, 0.13, 0.04)
    own = float(wall.least_thickness(1.0 / bare + RENDER, 0.30, 0.036, (0.012, 0.0, 0.0)))
    assert own == pytest.approx(0.036 * (1.0 / 0.288 - 0.52032 - RENDER), abs=1e-6)


def test_least_thickness_is_nought_where_the_wall_is_there() -> None:
    assert wall.least_thickness(1.0 / 0.28, 0.30, 0.036, (0.012, 0.0, 0.0)) == 0.0


def test_no_thickness_reaches_what_the_fixings_alone_lose() -> None:
    assert math.isnan(wall.least_thickness(0.6, 0.30, 0.036, (0.30, 0.0, 0.0)))
    assert math.isnan(wall.least_thickness(0.6, 0.04, 0.036, (0.0, 0.04, 0.0)))


def test_bridges_that_do_not_line_up_make_every_path() -> None:
    """Two bridged layers: four paths whose fractions are the products of the shares."""
    paths = wall.bridged_paths([(0.5, 0.1, 0.2), (1.0, 0.0, 9.0), (2.0, 0.25, 0.4)])
    assert sorted(paths) == [
        (pytest.approx(0.025), [0.2, 1.0, 0.4]),
        (pytest.approx(0.075), [0.2, 1.0, 2.0]),
        (pytest.approx(0.225), [0.5, 1.0, 0.4]),
        (pytest.approx(0.675), [0.5, 1.0, 2.0]),
    ]


def test_combined_method_refuses_fractions_that_do_not_sum_to_one() -> None:
    with pytest.raises(ValueError, match=r"sum to 0\.95"):
        wall.combined_resistance([(0.9, [1.0]), (0.05, [2.0])], 0.13, 0.04, LIMIT)


def test_combined_method_refuses_strong_bridges() -> None:
    """A steel stud through insulation: upper over lower limit beyond 1.5, 6.7.2 does not hold."""
    paths = [(0.99, [0.013 / 0.25, 0.1 / 0.035]), (0.01, [0.013 / 0.25, 0.1 / 50.0])]
    with pytest.raises(ValueError, match=r"exceeds 1\.5"):
        wall.combined_resistance(paths, 0.13, 0.04, LIMIT)


@given(st.floats(0.01, 5.0), st.floats(0.01, 5.0), st.floats(0.01, 0.99))
def test_lower_limit_never_exceeds_the_upper(first: float, second: float, share: float) -> None:
    """Equal only for equal paths: mean of reciprocals against reciprocal of means."""
    paths = [(share, [first, 0.2]), (1.0 - share, [second, 0.2])]
    total, upper, lower = wall.combined_resistance(paths, 0.13, 0.04, float("inf"))
    assert lower <= upper * (1.0 + 1e-12)
    assert total == pytest.approx((upper + lower) / 2.0, rel=1e-15)


@pytest.mark.parametrize(("mm", "at_zero", "u"), [(500.0, 3.3, 2.3), (600.0, 3.0, 1.8)])
def test_stone_wall_by_thickness(mm: float, at_zero: float, u: float) -> None:
    """U = at_zero - 0.002 t, granite 3.3 and sandstone 3.0. Source: RdSAP 2012, from memory."""
    assert wall.stone_u_value(mm, at_zero, 0.002) == pytest.approx(u, abs=1e-12)


SCOTTISH = {  # Scottish Government, EPC review supplementary topic notes, section 2, Table UV1
    "cob": {"A": 0.8, "F": 0.8, "G": 0.6, "H": 0.45, "J": 0.30, "K": 0.25},
    "system_built": {"A": 2.0, "E": 1.7, "F": 1.0, "H": 0.45, "J": 0.30, "K": 0.25},
    "timber_frame": {"A": 2.5, "B": 1.9, "D": 1.0, "F": 0.50, "J": 0.30, "K": 0.25},
}


@pytest.mark.parametrize("construction", SCOTTISH)
def test_scottish_defaults_are_scotlands_own(construction):
    table = reference.load().table("wall_u_by_age")
    mine = table.filter(nation="scotland", construction=construction, insulation="none")
    held = dict(mine.select("band", "u_w_m2k").iter_rows())
    assert {band: held[band] for band in SCOTTISH[construction]} == SCOTTISH[construction]
