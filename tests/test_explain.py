"""The sheet of one home: agreement with what the store holds, and its three forms."""

import io
import re

import polars as pl
import pypdf
import pytest
from PIL import Image

from pipeline import explain
from pipeline.explain import damp, layout, picture
from pipeline.explain.damp import profile
from pipeline.explain.step import Sheet
from pipeline.exports import file_name
from pipeline.stock.reading import sha256


def test_every_stored_figure_of_every_kind_of_home_is_reached(demo):
    kinds = ("wall_construction", "property_type", "fuel", "reason")
    sample = demo.ranking.group_by(*kinds, maintain_order=True).first().gather_every(2)
    assert sample.height > 30
    for home in sample.iter_rows(named=True):
        steps = explain.sheet(home, demo.base)
        assert explain.furthest(home, steps) < 1e-11
        named = [step.column for step in steps if step.column]
        assert len(named) == len(set(named)) > (60 if home["system"] else 30)


def test_a_stored_figure_that_is_not_met_is_told(demo):
    home = demo.ranking.row(0, named=True)
    steps = explain.sheet(home, demo.base)
    other = home | {"cost_gbp": home["cost_gbp"] * 1.01}
    assert explain.furthest(other, steps) == pytest.approx(0.01 / 1.01)


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
    assert "Every stored figure agrees with this sheet" in said.out
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
    held = {path.name: path.read_bytes() for path in (tmp_path / "a").iterdir()}
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
