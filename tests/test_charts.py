"""Figures hold the values of their tables, carry units, and stay on plain axes."""

import itertools

import numpy as np
import plotly.graph_objects as go
import polars as pl
import pytest

from dashboard import charts, tables, words
from pipeline import programme
from pipeline.options import screens

SPEND = pl.DataFrame(
    {
        "rank": [1, 2, 3],
        "home_id": ["T1", "T2", "T3"],
        "cumulative_cost_gbp": [10_000.0, 22_000.0, 40_000.0],
        "cost_per_lifetime_tonne_gbp": [100.0, 200.0, 300.0],
        "cumulative_co2_saved_lifetime_t": [100.0, 160.0, 220.0],
    }
)
STREETS = pl.DataFrame(
    {
        "street": ["Alder Row", "Elm & <b>Oak</b> Way", "Fern Lane"],
        **{name: [3.0, 2.0, 1.0] for name in programme.SUMMED},
        "homes": [3.0, 2.0, 1.0],
        "cost_gbp": [30_000.0, 20_000.0, 9_000.0],
        "co2_saved_lifetime_t": [310.0, 180.0, 90.0],
    }
)
THICKNESS = pl.DataFrame(
    {
        "system_label": ["cork", "cork", "PIR", "PIR"],
        "thickness_mm": [50.0, 100.0, 50.0, 100.0],
        "heat_saved_kwh_per_year": [5e6, 6e6, 6e6, 7e6],
        "marginal_cost_per_lifetime_tonne_gbp": [None, 120.0, None, 240.0],
    }
)
GRADES = tables.grades_of_inputs(
    pl.DataFrame(
        {
            "group": ["Elm", "Elm", "Elm", "Oak", "Oak"],
            "input": ["storeys", "storeys", "wall area", "storeys", "wall area"],
            "grade": ["B", "D", "C", "A", "B"],
            "homes": [6, 2, 8, 2, 2],
        }
    )
)
WALLS = pl.DataFrame(
    {
        "home_id": ["T1", "T2", "T3", "T4"],
        "wall_type": ["solid brick"] * 3 + ["cavity, insulated"],
        "u_existing_w_m2k": [1.0, 2.0, 3.0, 0.4],
        "u_default_w_m2k": [1.7, 1.7, 2.1, 0.5],
        "wall_area_m2": [50.0, 60.0, 200.0, 30.0],
        "wall_area_estimated_m2": [50.0, 50.0, 50.0, 50.0],
        "given_over_estimated": [1.0, 1.2, 4.0, 0.6],
        "warned": [False, False, True, False],
        "address": "1 Alder Row",
        "property_type": "house",
        "built_form": "detached",
        "source_row": [2, 3, 4, 5],
        "floor_area_m2": [80.0, 90.0, 70.0, 75.0],
    }
)
U_RANGES = tables.ranges(WALLS, "wall_type", "u_existing_w_m2k")
CELLS = pl.DataFrame(
    {
        "estate": ["Elm", "Elm", "Oak", "Oak", None],
        "screen_verdict": ["refer", "refer", "exclude", "pass", "not surveyed"],
        **{name: ["pass"] * 5 for name in screens.SCREENS},
        "screen_damp": ["refer: mould", "pass", "exclude: wet", None, "not surveyed: damp"],
    }
)
FIGURES = {
    "screens": charts.verdict_bars(tables.verdicts(CELLS, "screen"), "What does each find?"),
    "screens_by_estate": charts.verdict_bars(tables.verdicts(CELLS, "estate"), "Where?"),
    "grades": charts.grade_bars(GRADES, "input", "How much is known?"),
    "u_ranges": charts.u_ranges(U_RANGES, tables.defaults_used(WALLS)),
    "floors": charts.floor_ranges(tables.ranges(WALLS, "property_type", "floor_area_m2")),
    "wall_areas": charts.wall_areas(WALLS, 210.0),
    "counts": charts.count_bars(["Age is <b>missing</b>"], [7], "What keeps out?", "Rows [no]"),
    "next_pound": charts.next_pound(SPEND, 25_000.0),
    "street_bars": charts.street_bars(STREETS),
    "saving": charts.saving_by_thickness(THICKNESS),
    "next_tonne": charts.next_tonne_by_thickness(THICKNESS),
}


@pytest.mark.parametrize("figure", FIGURES.values(), ids=FIGURES)
def test_a_title_asks_a_question_and_axes_carry_units(figure: go.Figure) -> None:
    assert figure.layout.title.text.endswith("?")
    assert "[" in figure.layout.xaxis.title.text
    assert "[" in (figure.layout.yaxis.title.text or "[a name has no unit]")


@pytest.mark.parametrize("figure", FIGURES.values(), ids=FIGURES)
def test_only_plain_axes(figure: go.Figure) -> None:
    assert {trace.type for trace in figure.data} <= {"scatter", "bar", "box"}
    assert not [key for key in figure.to_dict()["layout"] if key.startswith(("geo", "map"))]


def test_the_next_pound_holds_all_homes_and_those_within_the_budget() -> None:
    every, within = FIGURES["next_pound"].data
    assert list(every.x) == SPEND["cumulative_cost_gbp"].to_list()
    assert list(every.y) == SPEND["cumulative_co2_saved_lifetime_t"].to_list()
    assert list(within.x) == [10_000.0, 22_000.0]
    assert list(within.y) == [100.0, 160.0]


def test_the_budget_is_marked_with_what_it_buys() -> None:
    figure = FIGURES["next_pound"]
    assert figure.layout.shapes[0].x0 == 25_000.0
    assert figure.layout.annotations[0].text == "Budget £25,000<br>2 homes<br>160 tCO2e"


def test_a_budget_below_the_first_home_buys_nothing() -> None:
    figure = charts.next_pound(SPEND, 5.0)
    assert list(figure.data[1].x) == []
    assert "0 homes<br>0 tCO2e" in figure.layout.annotations[0].text


def test_street_bars_hold_cost_homes_and_benefit_and_no_markup() -> None:
    (bars,) = FIGURES["street_bars"].data
    assert list(bars.x) == STREETS["cost_gbp"].to_list()
    assert list(bars.y) == ["Alder Row", "Elm &amp; &lt;b&gt;Oak&lt;/b&gt; Way", "Fern Lane"]
    assert bars.text[0] == "3 homes, 310 tCO2e"
    assert list(charts.street_bars(STREETS, most=2).data[0].x) == [30_000.0, 20_000.0]


def test_curves_hold_one_line_for_each_insulant() -> None:
    cork, pir = FIGURES["saving"].data
    assert (cork.name, list(cork.x), list(cork.y)) == ("cork", [50.0, 100.0], [5e6, 6e6])
    assert (pir.name, list(pir.x), list(pir.y)) == ("PIR", [50.0, 100.0], [6e6, 7e6])
    assert (cork.line.color, cork.marker.symbol) != (pir.line.color, pir.marker.symbol)


def test_the_first_thickness_has_no_step_and_no_point() -> None:
    assert [list(line.x) for line in FIGURES["next_tonne"].data] == [[100.0], [100.0]]
    assert [list(line.y) for line in FIGURES["next_tonne"].data] == [[120.0], [240.0]]


def test_grade_bars_hold_shares_that_fill_the_bar_least_known_on_top() -> None:
    bars = {bar.name[0]: dict(zip(bar.y, bar.x, strict=True)) for bar in FIGURES["grades"].data}
    assert bars == {
        "A": {"storeys": 20.0}, "B": {"wall area": 20.0, "storeys": 60.0},
        "C": {"wall area": 80.0}, "D": {"storeys": 20.0},
    }  # fmt: skip
    axis = FIGURES["grades"].layout.yaxis
    assert (axis.autorange, axis.categoryarray) == ("reversed", ("wall area", "storeys"))


def test_verdict_bars_fill_the_bar_and_say_their_word() -> None:
    bars = {bar.name: dict(zip(bar.y, bar.x, strict=True)) for bar in FIGURES["screens"].data}
    assert list(bars) == ["pass", "not surveyed", "refer", "exclude", "not tested"]
    assert {name: shares.get("Damp") for name, shares in bars.items()} == dict.fromkeys(bars, 20.0)
    assert bars["pass"]["Tenure"] == 100.0
    assert FIGURES["screens"].data[0].text[0] == "pass 100%"
    estates = {bar.name: dict(zip(bar.y, bar.x, strict=True)) for bar in
               FIGURES["screens_by_estate"].data}  # fmt: skip
    assert estates["refer"] == {"Elm": 100.0}
    assert estates["exclude"] == estates["pass"] == {"Oak": 50.0}
    assert estates["not surveyed"] == {"not known": 100.0}
    axis = FIGURES["screens_by_estate"].layout.yaxis
    assert axis.categoryarray == ("Elm", "Oak", "not known")
    of_damp = tables.verdicts(CELLS, "estate", "screen_damp")
    assert of_damp.filter(pl.col("label") == "Elm")["verdict"].to_list() == ["pass", "refer"]
    found = tables.with_verdict(CELLS, "screen_damp", ["refer", "not tested"])
    assert found["estate"].to_list() == ["Elm", "Oak"]


def test_boxes_hold_percentiles_and_the_defaults_of_the_same_homes() -> None:
    box, defaults = FIGURES["u_ranges"].data
    assert list(box.y) == ["Cavity, insulated (1)", "Solid brick (3)"]
    assert (list(box.q1), list(box.median), list(box.q3)) == ([0.4, 1.5], [0.4, 2.0], [0.4, 2.5])
    marks = list(zip(defaults.y, defaults.x, defaults.customdata, strict=True))
    assert marks == [
        ("Cavity, insulated (1)", 0.5, 1), ("Solid brick (3)", 1.7, 2), ("Solid brick (3)", 2.1, 1)
    ]  # fmt: skip


def test_wall_areas_lie_about_the_line_of_equals_and_warned_ones_stand_apart() -> None:
    line, plain, warned = FIGURES["wall_areas"].data
    assert list(line.x) == list(line.y) == [0, 210.0]
    assert (list(plain.y), list(warned.y)) == ([50.0, 60.0, 30.0], [200.0])
    assert tables.agreement(WALLS) == {"near": 2, "larger": 1, "smaller": 1}
    assert tables.furthest(WALLS, 2)["home_id"].to_list() == ["T3", "T4"]
    assert tables.axis_end(WALLS) == pytest.approx(210.0)


def test_warned_homes_are_drawn_however_many_there_are() -> None:
    many = pl.concat([WALLS.filter(~pl.col("warned"))] * 100 + [WALLS.filter("warned")])
    drawn = tables.thinned(many, 10)
    assert drawn.filter("warned").height == 1
    assert drawn.height == 11
    assert tables.thinned(WALLS.clear(), 10).height == 0


def test_count_bars_carry_their_labels_without_markup() -> None:
    (bars,) = FIGURES["counts"].data
    assert (list(bars.x), list(bars.text)) == ([7], ["7"])
    assert list(bars.y) == ["Age is &lt;b&gt;missing&lt;/b&gt;"]


def test_figures_of_no_home_are_drawn_empty() -> None:
    empty = charts.street_bars(STREETS.clear())
    assert list(empty.data[0].x) == []
    assert len(charts.saving_by_thickness(THICKNESS.clear()).data) == 0
    assert len(charts.grade_bars(GRADES.clear(), "input", "None?").data) == 4
    none = charts.u_ranges(U_RANGES.clear(), tables.defaults_used(WALLS.clear()))
    assert [list(trace.y) for trace in none.data] == [[], []]
    assert list(charts.count_bars([], [], "None?", "Rows [no]").data[0].x) == []
    assert list(charts.next_pound(SPEND.clear(), 1.0).data[0].x) == []


# Sight with one kind of cone missing, on linear RGB: Machado, Oliveira and Fernandes (2009),
# severity 1.0; figures from memory of the published tables.
SIGHT = {
    "full": np.eye(3),
    "protan": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
         [-0.003882, -0.048116, 1.051998]]
    ),
    "deutan": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
         [-0.011820, 0.042940, 0.968881]]
    ),
    "tritan": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
         [0.004733, 0.691367, 0.303900]]
    ),
}  # fmt: skip


def _lab(colour: str, sight: np.ndarray) -> np.ndarray:
    """CIELAB of an sRGB colour as this sight sees it."""
    srgb = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255.0
    linear = np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)
    to_xyz = np.array(
        [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    )
    xyz = to_xyz @ np.clip(sight @ linear, 0.0, 1.0) / np.array([0.9505, 1.0, 1.089])
    f = np.where(xyz > 0.008856, np.cbrt(xyz), 7.787 * xyz + 16.0 / 116.0)
    return np.array([116.0 * f[1] - 16.0, 500.0 * (f[0] - f[1]), 200.0 * (f[1] - f[2])])


@pytest.mark.parametrize("kind", SIGHT)
def test_colours_stay_apart_for_every_kind_of_sight(kind: str) -> None:
    seen = [_lab(colour, SIGHT[kind]) for colour in charts.PALETTE]
    apart = [float(np.linalg.norm(a - b)) for a, b in itertools.combinations(seen, 2)]
    assert min(apart) > 20.0
    assert len(set(charts.MARKERS)) == len(charts.PALETTE)


@pytest.mark.parametrize("kind", SIGHT)
def test_grades_run_from_dark_to_pale_for_every_kind_of_sight(kind: str) -> None:
    seen = [_lab(colour, SIGHT[kind]) for colour in charts.GRADE_COLOURS.values()]
    lightness = [float(colour[0]) for colour in seen]
    assert list(charts.GRADE_COLOURS) == list(words.GRADES) == ["A", "B", "C", "D"]
    assert min(b - a for a, b in itertools.pairwise(lightness)) > 15.0


@pytest.mark.parametrize("kind", SIGHT)
def test_verdicts_stay_apart_for_every_kind_of_sight_and_without_colour(kind: str) -> None:
    told = [looks for word, looks in charts.VERDICT_LOOKS.items() if word in screens.VERDICTS]
    seen = [_lab(colour, SIGHT[kind]) for colour, _, _ in told]
    apart = [float(np.linalg.norm(a - b)) for a, b in itertools.combinations(seen, 2)]
    assert min(apart) > 20.0
    for colour, _, ink in told:
        light = sorted(_lab(part, SIGHT[kind])[0] for part in (colour, ink))
        assert light[1] - light[0] > 40.0


def _contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours. Source: WCAG 2.2, definition of contrast ratio."""
    y = [((_lab(c, SIGHT["full"])[0] + 16.0) / 116.0) ** 3 for c in (one, other)]
    return float((max(y) + 0.05) / (min(y) + 0.05))


@pytest.mark.parametrize("ground", ["#ffffff", "#0e1117"], ids=["light", "dark"])
def test_colours_stand_out_from_light_and_dark_pages(ground: str) -> None:
    for colour in charts.PALETTE:
        assert _contrast(colour, ground) > 2.5
    # WCAG 2.2, 1.4.11: what is needed to see a bar has 3:1; a pale one has its outline
    for colour in (charts.FAINT, charts.TOTAL):
        assert _contrast(colour, ground) > 3.0


def test_words_on_bars_can_be_read() -> None:
    """WCAG 2.2, 1.4.3: 4.5:1."""
    on = [(colour, charts.GRADE_INK[grade]) for grade, colour in charts.GRADE_COLOURS.items()]
    on += [(colour, ink) for colour, _, ink in charts.VERDICT_LOOKS.values()]
    for colour, ink in on:
        assert _contrast(colour, ink) > 4.5


def test_spend_adds_up_in_rank_order() -> None:
    ranking = pl.DataFrame(
        {
            "rank": [1, 2, None],
            "home_id": ["T1", "T2", "T3"],
            "cost_gbp": [10.0, 20.0, None],
            "cost_per_lifetime_tonne_gbp": [1.0, 2.0, None],
            "co2_saved_lifetime_t": [10.0, 10.0, None],
        }
    )
    assert tables.spend(ranking)["cumulative_co2_saved_lifetime_t"].to_list() == [10.0, 20.0]


@pytest.mark.parametrize(
    ("name", "value", "sign", "written"),
    [
        ("cost_gbp", 9_995_806.4, False, "£9,995,806"),
        ("cost_gbp", -5_820.0, True, "−£5,820"),
        ("cost_gbp", 5_820.0, True, "+£5,820"),
        ("cost_gbp", -0.2, True, "0"),
        ("u_after_w_m2k", 0.2397, False, "0.24"),
        ("co2_saved_lifetime_t", 41_037.6, False, "41,038"),
        ("co2_saved_lifetime_t", 12.34, False, "12.3"),
        ("cost_per_lifetime_tonne_gbp", float("nan"), False, "–"),
    ],
)
def test_figures_are_written_for_people(name: str, value: float, sign: bool, written: str) -> None:
    assert words.figure(name, value, sign) == written


def test_pasted_keys_are_told_apart() -> None:
    assert words.keys('home_id\nT1, T2;T3\r\n\t"T 4"\n\n') == ["T1", "T2", "T3", "T 4"]
    assert words.keys("  \n ,;") == []


def test_the_waterfall_adds_up_to_the_price_and_shows_its_ends():
    account = pl.DataFrame(
        {
            "part": ["Insulation", "Access", "Works", "VAT", "Cost"],
            "kind": ["part", "part", "sum", "part", "sum"],
            "amount_gbp": [70.0, 20.0, 90.0, 10.0, 100.0],
            "per_home_gbp": [70.0, 20.0, 90.0, 10.0, 100.0],
            "per_m2_gbp": [7.0, 2.0, 9.0, 1.0, 10.0],
        }
    )
    bars, ends = charts.waterfall(account, 80.0, 130.0).data
    assert list(bars.measure) == ["relative", "relative", "total", "relative", "total"]
    relative = [y for y, m in zip(bars.y, bars.measure, strict=True) if m == "relative"]
    assert sum(relative) == bars.y[-1] == 100.0
    assert (ends.y[0] + ends.error_y.array[0], ends.y[0] - ends.error_y.arrayminus[0]) == (130, 80)


def test_unit_costs_lie_where_their_bars_do():
    beside = pl.DataFrame(
        {
            "system_label": ["graphite EPS"], "homes": [7], "mean_gbp_m2": [98.0], "p5": [92.0],
            "p95": [110.0], "evidence_low_gbp_m2": [80.0], "evidence_high_gbp_m2": [120.0],
        }
    )  # fmt: skip
    published, own, mean = charts.beside_evidence(beside).data
    assert [(b.base[0], b.base[0] + b.x[0]) for b in (published, own)] == [(80, 120), (92, 110)]
    assert list(mean.x) == [98.0]


def test_the_choice_and_the_greatest_value_are_marked_apart_and_what_may_not_be_had_is_hollow():
    compared = pl.DataFrame(
        {
            "system": ["pir"] * 3, "system_label": ["PIR"] * 3, "thickness_mm": [50.0, 80.0, 90.0],
            "net_present_value_gbp": [9.0, 3.0, 4.0],
            "verdict": ["misses the target", "chosen", "may be had"],
        }
    )  # fmt: skip
    line, ring, star = charts.options_of_home(compared).data
    assert list(line.marker.color) == ["#ffffff", charts.PALETTE[0], charts.PALETTE[0]]
    assert (list(ring.x), list(ring.y)) == ([80.0], [3.0])
    assert (list(star.x), list(star.y)) == ([90.0], [4.0])


def test_the_frontier_holds_worth_and_bound_and_skips_clashes() -> None:
    points = pl.DataFrame(
        {
            "budget_factor": [0.5, 1.0, 1.5],
            "budgets_gbp": [1e6, 2e6, 3e6],
            "homes": [None, 20, 25],
            "worth": [None, 90.0, 99.0],
            "bound": [None, 91.0, 99.5],
            "gap": [None, 1.0 / 91.0, 0.5 / 99.5],
        }
    )
    figure = charts.frontier(points, "GBP of net benefit")
    bound, worth = figure.data
    assert list(worth.x) == list(bound.x) == [2e6, 3e6]
    assert list(worth.y) == [90.0, 99.0]
    assert list(bound.y) == [91.0, 99.5]
    assert "gap 1.10%" in figure.layout.annotations[0].text
    assert figure.layout.yaxis.title.text == "Worth [GBP of net benefit]"


def test_lots_by_year_add_up_to_the_homes_funded() -> None:
    lots = pl.DataFrame(
        {
            "lot": ["Ash <b>Way</b>", "Birch Row", "Cedar Walk"],
            "year": [2027, 2028, None],
            "homes_funded": [12, 7, 0],
            "homes_infill": [2, 0, 0],
            **{name: [1.0, 2.0, 0.0] for name in ("cost_gbp", "grant_gbp", "infill_cost_gbp")},
        }
    )
    bars = charts.lots_by_year(lots).data
    assert {bar.name: list(bar.x) for bar in bars} == {
        "2027": [10], "2027, infill": [2], "2028": [7], "2028, infill": [0],
    }  # fmt: skip
    assert bars[0].y[0] == "Ash &lt;b&gt;Way&lt;/b&gt;"


def test_limits_as_a_table() -> None:
    rule = {"rule": "budget", "version": "1", "kind": "money", "sense": "at_most", "limit": 200.0,
            "left": 50.0, "slack": 150.0}  # fmt: skip
    others = [{**rule, "kind": "share"}, {**rule, "sense": "at_least"}, {**rule, "limit": 0.0}]
    assert tables.limits([rule, *others])["used"].to_list() == [0.25, 1.0]
