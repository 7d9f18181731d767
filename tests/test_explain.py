"""The sheet of one home: agreement with what the store holds, and its three forms."""

import dataclasses
import io
import itertools
import re
from typing import get_args

import polars as pl
import pypdf
import pytest
from PIL import Image

from pipeline import explain, programme, settings
from pipeline.explain import damp, layout, money, picture
from pipeline.explain.damp import profile
from pipeline.explain.step import Sheet
from pipeline.exports import file_name
from pipeline.published import open_run
from pipeline.run import run
from pipeline.settings import Term
from pipeline.stock import Inputs
from pipeline.stock.reading import sha256


def test_every_stored_figure_of_every_kind_of_home_is_reached(demo):
    kinds = ("wall_construction", "property_type", "fuel", "reason")
    sample = demo.ranking.group_by(*kinds, maintain_order=True).first().gather_every(2)
    assert sample.height > 30
    for home in sample.iter_rows(named=True):
        steps = explain.sheet(home, demo.base)
        found = explain.check(home, steps)
        assert found.agrees, found.apart
        assert found.far < 1e-11
        named = [step.column for step in steps if step.column]
        assert len(named) == len(set(named)) > (60 if home["system"] else 30)


TERMS = get_args(Term)
STATED = [
    *({"objective": term} for term in TERMS),
    *({"weights": {a: 1.5, b: 0.7}} for a, b in itertools.combinations(TERMS, 2)),
    {"objective": "carbon", "weights": {"low_income_bills": 0.0}},
]


@pytest.mark.parametrize("stated", STATED, ids=str)
def test_the_score_is_reckoned_under_every_objective_and_every_pair_of_weights(demo, stated):
    """Of homes with low income, without, and not known."""
    changed = settings.build({"appraisal": stated}, "test")
    base = dataclasses.replace(demo.base, settings=changed)
    ranked = programme.rank(demo.ranking, changed).filter(pl.col("rank").is_not_null())
    homes = ranked.group_by("low_income", maintain_order=True).head(2)
    assert homes["low_income"].n_unique() == 3
    for home in homes.iter_rows(named=True):
        steps = explain.sheet(home, base)
        found = explain.check(home, steps)
        assert found.agrees, found.apart
        step = next(step for step in steps if step.column == "score")
        assert step.value == pytest.approx(worth_by_hand(home, stated) / home["cost_gbp"])


def worth_by_hand(home, stated):
    """The objectives in plain words of the README, weighted."""
    worth = {
        "net_benefit": home["net_present_value_gbp"],
        "expected_net_benefit": home["expected_net_present_value_gbp"],
        "carbon": home["co2_saved_lifetime_t"],
        "heat": home["heat_saved_kwh_per_year"] * 36,
        "low_income_bills": home["bill_saved_pv_gbp"] if home["low_income"] == "yes" else 0.0,
    }
    weights = stated.get("weights") or {stated["objective"]: 1.0}
    return sum(weight * worth[term] for term, weight in weights.items())


UNUSUAL = """Ref,Address,Post Code,Prop Type,Built Form,Age,Floor Area,Wall Type,Low income,\
Measured HTC,Metered heating,Walls refused,Wall build-up,Wall thickness,Gable wall area
A1,1 Elm Row,HX77 3AB,House,End terrace,1934,85,Solid brick,yes,310,9000,front,,,
A2,2 Elm Row,HX77 3AB,House,Semi,1934,85,Cavity,no,,,,block_cavity,,
A3,3 Elm Row,HX77 3AB,House,Detached,1890,120,Sandstone,,,15000,rear,,550,40
A4,4 Elm Row,HX77 3AB,Bungalow,Semi,1955,60,System built,yes,250,,,,,
A5,5 Elm Row,HX77 3AB,Flat,Mid terrace,1968,50,Solid brick,no,,,gable,,,
A6,6 Elm Row,HX77 3AB,House,Mid terrace,1910,70,Solid brick,yes,,,,block_cavity,,
"""
BUILD_UP = {"layers": [
    {"name": "plaster", "thickness_mm": 13, "lambda_w_mk": 0.18},
    {"name": "block", "thickness_mm": 100, "lambda_w_mk": 0.5,
     "bridge_share": 0.066, "bridge_lambda_w_mk": 0.88},
    {"name": "cavity", "thickness_mm": 50, "air": "still"},
    {"name": "brick", "thickness_mm": 102.5, "lambda_w_mk": 0.77},
]}  # fmt: skip


@pytest.mark.parametrize("method", ["balance_point", "fixed_base"])
def test_homes_of_unusual_knowledge_under_unusual_settings(tmp_path, method):
    """Measured loss, meters, refused walls, a build-up; details, own prices and two weights."""
    (tmp_path / "list.csv").write_text(UNUSUAL)
    stated = settings.build({
        "walls": {"block_cavity": BUILD_UP},
        "climate": {"method": method, "temperature_shift_c": -1.5},
        "details": {"reveal": "reveal_30", "base": "carried_below", "eaves": "joined",
                    "neighbour": "continued"},
        "prices": {"unit_rates_p_per_kwh": {"mains_gas": 9.5}},
        "works": {"humidity_class": 4, "target_u_w_m2k": 0.28},
        "appraisal": {"weights": {"low_income_bills": 2.0, "heat": 0.01},
                      "guarantee_25_years": False, "carbon_value": "high"},
    }, "test")  # fmt: skip
    run(Inputs(tmp_path / "list.csv"), tmp_path / "s.duckdb", tmp_path, stated)
    town = open_run(tmp_path / "s.duckdb")
    homes = town.ranking.to_dicts()
    assert len(homes) == 6
    assert sum(home["rank"] is not None for home in homes) >= 4
    for column in ("measured_htc_w_k", "metered_heating_kwh_per_year", "walls_refused",
                   "wall_build_up", "wall_thickness_mm", "low_income"):  # fmt: skip
        assert any(home[column] is not None for home in homes), column
    for home in homes:
        found = explain.check(home, explain.sheet(home, town.base))
        assert found.agrees, found.apart


@pytest.mark.parametrize(
    ("column", "altered"),
    [
        ("cost_gbp", lambda cost: cost * (1 + 1e-8)),
        ("score", lambda _: None),
        ("mould_risk_at", lambda _: "nowhere"),
        ("system", lambda _: "straw"),
        ("moisture_verdict", lambda _: None),
    ],
)
def test_a_stored_value_that_is_not_met_is_told(demo, column, altered):
    """Figures beyond rounding, words, and cells that are empty."""
    home = demo.ranking.row(0, named=True)
    steps = explain.sheet(home, demo.base)
    found = explain.check(home | {column: altered(home[column])}, steps)
    assert [step.column for step, _ in found.apart] == [column]
    assert not found.agrees
    assert f"DISAGREE in 1 of {found.reckoned + found.given} figures" in found.words()
    assert f"{column}: {str(home[column] or 'nothing')[:9]}" in found.words()
    assert found.far < 1e-11


@pytest.mark.parametrize(
    ("column", "wrong"),
    [("jamb_length_m", 0.999), ("corner_length_m", 2.0), ("wall_area_m2", 1.001),
     ("u_existing_w_m2k", 1.01), ("efficiency", 0.99), ("location_index", 1.01),
     ("least_thickness_mm", 2.0), ("exposed_perimeter_m", 1.01), ("u_roof_w_m2k", 1.1)],
)  # fmt: skip
def test_a_stored_estimate_that_is_none_is_not_passed_off_as_given(demo, column, wrong):
    """Of a home of which the list gives neither lengths, wall area nor U: all is worked out."""
    home = demo.ranking.filter(
        pl.col("rank").is_not_null(), pl.col("roof_area_m2") > 0.0,
        pl.col("junction_lengths_source").str.starts_with("estimated"),
        pl.col("wall_area_source").str.starts_with("estimated"),
        pl.col("u_value_source").str.starts_with("default: "),
    ).row(0, named=True)  # fmt: skip
    assert explain.check(home, explain.sheet(home, demo.base)).agrees
    altered = home | {column: home[column] * wrong}
    found = explain.check(altered, explain.sheet(altered, demo.base))
    assert column in [step.column for step, _ in found.apart]


def test_a_sheet_that_does_not_meet_the_store_says_so_in_every_form(
    demo, demo_folder, call, tmp_path, monkeypatch
):
    """Exit code 2, at the head of what is printed and written, and never a word of agreement."""
    monkeypatch.setitem(money._WORTH, "net_benefit", "T")
    home = demo.ranking["home_id"][0]
    said = call("explain", home, "--store", demo_folder / "demo.duckdb", "--out", tmp_path)
    assert said.code == 2
    pages = pypdf.PdfReader(tmp_path / f"{home}.pdf").pages
    sheet = (tmp_path / f"{home}.md").read_text(encoding="utf-8")
    for text in (said.out, said.err, " ".join(pages[0].extract_text().split()), sheet):
        assert "DISAGREE in 1 of" in text
        assert "agrees" not in text
        assert "programme run" in text
    assert "DISAGREE" in sheet[:300]


def test_a_formula_reads_no_further_than_the_sheet(demo):
    made = Sheet(demo.base.reference)
    made.part("A")
    made.given("a", 2.0, "m", "here", "A length")
    assert made.found("b = −a × (3 + √(16))^2 / max(a, 4)", "m", "here", "B") == -24.5
    assert made.steps[-1].working == "−2 × (3 + √(16))^2 / max(2, 4)"
    with pytest.raises(KeyError):
        made.value("a + c")
    with pytest.raises(ValueError, match="no meaning"):
        made.value("a.real")
    with pytest.raises(KeyError):
        made.value("open(a)")


def test_the_command_prints_the_sheet(demo, demo_folder, call):
    home = demo.ranking.row(0, named=True)
    said = call("explain", home["home_id"], "--store", demo_folder / "demo.duckdb")
    assert said.code == 0
    for text in (explain.show(home["cost_gbp"]), demo.account["run_id"], demo.published_at):
        assert text in said.out
    assert "Each was compared: every one agrees to" in said.out
    assert "DISAGREE" not in said.out
    assert "It approves nothing" in said.out
    assert "Files:" not in said.out
    assert "…" not in said.out


def test_a_home_that_is_not_ranked_is_explained_as_far_as_it_goes(demo, demo_folder, call):
    home = demo.ranking.filter(pl.col("reason").is_not_null()).row(0, named=True)
    said = call("explain", home["home_id"], "--store", demo_folder / "demo.duckdb")
    assert said.code == 0
    assert f"Why not ranked {home['reason']}" in said.out
    assert "Savings a year" not in said.out


def test_an_unknown_home(demo_folder, call):
    said = call("explain", "NOPE", "--store", demo_folder / "demo.duckdb")
    assert (said.code, "No home 'NOPE'" in said.err) == (2, True)


@pytest.fixture(scope="module")
def written(demo, demo_folder):
    """Files of the first home by their ending."""
    home = demo.ranking.row(0, named=True)
    digest = sha256(demo_folder / "demo.duckdb")
    files = explain.files(home["home_id"], explain.paper(home, demo, digest))
    assert {name.split(".")[0] for name in files} == {home["home_id"]}
    return {name.split(".")[1]: content for name, content in files.items()}


def test_the_command_writes_the_same_files_again(demo, demo_folder, call, tmp_path, written):
    home = demo.ranking.row(0, named=True)["home_id"]
    said = call("explain", home, "--store", demo_folder / "demo.duckdb", "--out", tmp_path / "a")
    assert said.code == 0
    assert f"{home}.md, {home}.pdf, {home}.png" in said.out
    held = {path.name: path.read_bytes() for path in (tmp_path / "a").glob("[!.]*")}
    assert held == {f"{home}.{ending}": content for ending, content in written.items()}


def test_the_pdf_holds_what_the_markdown_holds(demo, written):
    """Every figure, formula and source in the text of the pages; title, language and outline."""
    home = demo.ranking.row(0, named=True)
    reader = pypdf.PdfReader(io.BytesIO(written["pdf"]))
    whole = "".join("".join(page.extract_text() for page in reader.pages).split())
    text = re.sub(rf"Handcalculationofhome\w+run{demo.account['run_id']}page\d+of\d+", "", whole)
    laid_out = layout.lay_out(explain.sheet(home, demo.base))
    figures = [explain.show(step.value) for step in explain.sheet(home, demo.base) if step.symbol]
    formulas = [step.formula for step in explain.sheet(home, demo.base) if len(step.formula) < 20]
    assert len(figures) > 400
    for words in (
        explain.CAUTION,
        "ψ_1",
        "λ",
        "Σ(q_1)",
        "m²K/W",
        *laid_out.sources,
        *figures,
        *formulas,
    ):
        assert "".join(words.split()) in text, words
    assert reader.metadata.title == f"Hand calculation of home {home['home_id']}"
    assert reader.metadata.creation_date.isoformat() == demo.published_at
    assert [mark.title for mark in reader.outline][2:5] == [
        "1 The home", "2 Areas and volume", "3 U-values today",
    ]  # fmt: skip
    assert written["md"].decode().count("| ") > 500


def test_nothing_runs_off_the_page(written):
    """Every piece of text lies within A4 less a margin of 10 mm at the left and at the foot."""
    reader = pypdf.PdfReader(io.BytesIO(written["pdf"]))
    for page in reader.pages:
        places = []
        page.extract_text(
            visitor_text=lambda text, cm, tm, font, size, at=places: (
                at.append((tm[4], tm[5])) if text.strip() else None
            )
        )
        assert len(places) > 4
        assert min(x for x, _ in places) > 28.0
        assert max(x for x, _ in places) < 595.0 - 28.0
        assert min(y for _, y in places) > 14.0


def test_the_drawing_shows_the_profiles(demo, written):
    home = demo.ranking.row(0, named=True)
    before, after = (profile(home, demo.base, after=side) for side in (False, True))
    assert len(after.layers) == len(before.layers) + 2
    assert after.depth_mm[-1] == pytest.approx(before.depth_mm[-1] + home["thickness_mm"] + 12.0)
    assert after.temperature[0] > before.temperature[0]
    for wall in (before, after):
        assert (wall.vapour <= wall.saturation * (1.0 + 1e-12)).all()
        assert (wall.temperature[:-1] > wall.temperature[1:]).all()
    image = Image.open(io.BytesIO(written["png"]))
    assert image.size == (1700, 1122)
    assert len(image.convert("RGB").getcolors(1_000_000)) > 50
    others = picture.draw(before, after, "Home $A_1$\n\U0001f3e0, run 0")  # no warning of the font
    assert image.size == Image.open(io.BytesIO(others)).size
    assert others != written["png"]
    told = damp.caption(before, after)
    assert f"{after.temperature[0]:.1f} °C" in told
    assert "A designer decides" in told
    assert "20 °C as in BS EN ISO 13788 (the saving" in told


def test_text_of_the_list_stays_text_and_a_faced_wall_is_not_drawn(demo):
    """An address may hold marks, line breaks or letters that the font lacks."""
    faced = demo.ranking.filter(pl.col("wall_insulation") == "external", pl.col("rank").is_null())
    home = faced.row(0, named=True)
    home |= {"address": "Flat 1 | [x](y) `a` <b>\n# *c*_d_ \U0001f3e0", "home_id": "A/1 |\n"}
    paper = explain.paper(home, demo, "")
    assert (paper.before, paper.after, paper.drawn) == (None, None, "")
    files = explain.files(home["home_id"], paper)
    assert len(files) == 2
    text = next(v for k, v in files.items() if k.endswith("md")).decode()
    assert "- Address: Flat 1 \\| \\[x\\](y) \\`a\\` \\<b\\> \\# \\*c\\*\\_d\\_" in text
    assert text.startswith("# Hand calculation of home A/1 \\|\n")
    assert all("/" not in name and "\n" not in name for name in files)
    pages = pypdf.PdfReader(io.BytesIO(next(v for k, v in files.items() if k.endswith("pdf"))))
    assert "Flat 1 | [x](y) `a` <b> # *c*_d_ □" in pages.pages[0].extract_text()


@pytest.mark.parametrize("key", ["TH0001101", "a_b-C", "A/1", "A_1", "..", "con", "é", "x" * 200])
def test_file_names_are_safe_and_apart(key):
    name = file_name(key)
    assert name.isascii()
    assert set(name) <= set("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-")
    assert 0 < len(name) < 80
    assert (name == key) == (key in ("TH0001101", "a_b-C", "A_1"))
    assert len({file_name(k) for k in ("A/1", "A_1", "A 1", "A?1")}) == 4
