"""Homes entered twice: the sound row stays, and every mark points to a row that stays."""

import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.stock import duplicates

KEYS = st.one_of(st.none(), st.sampled_from("abc"))
ROWS = st.lists(st.tuples(KEYS, KEYS, KEYS, st.booleans()), min_size=1, max_size=9)


def _frames(rows) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Typed rows and raw cells of (home_id, uprn, note)."""
    texts = pl.DataFrame(
        [row[:3] for row in rows],
        schema={"home_id": pl.String, "uprn": pl.String, "note": pl.String},
        orient="row",
    )
    number = pl.int_range(2, 2 + len(rows), dtype=pl.UInt32, eager=True).alias("source_row")
    typed = texts.select(number, "home_id", "uprn").with_columns(
        address=pl.lit(None, pl.String), postcode=pl.lit(None, pl.String)
    )
    return typed, texts.select(number, pl.all())


def _marks(rows, faulty=()) -> dict[int, int | None]:
    typed, cells = _frames(rows)
    none = pl.Series([], dtype=pl.UInt32)
    found = duplicates.find(typed, cells, pl.Series(faulty, dtype=pl.UInt32), none)
    marks = dict(found.select("source_row", "stays").iter_rows())
    return {row: marks.get(row) for row in typed["source_row"]}


def test_a_faulty_row_gives_way_to_a_sound_one_though_it_is_fuller():
    rows = [("T1", "1", "full"), ("T1", None, None)]
    assert _marks(rows) == {2: None, 3: 2}
    assert _marks(rows, [2]) == {2: 3, 3: None}
    assert _marks(rows, [2, 3]) == {2: None, 3: 2}


def test_a_mark_points_to_the_sound_row_though_another_group_has_none():
    rows = [("T0", "1", "x"), ("T1", "1", None), ("T1", None, None)]
    assert _marks(rows, [2, 3]) == {2: None, 3: 4, 4: None}


def test_a_mark_follows_on_to_the_row_that_stays():
    rows = [("T1", "1", "x"), ("T1", "2", None), (None, "2", None)]
    assert _marks(rows) == {2: None, 3: 2, 4: 2}


def test_without_faults_named_the_fullest_stays():
    assert _marks([("T1", None, None), ("T1", "1", None)]) == {2: 3, 3: None}


@settings(deadline=None, max_examples=60)
@given(ROWS)
def test_every_mark_points_to_a_row_that_stays_and_to_a_sound_one_if_there_is_one(rows):
    faulty = [number for number, row in enumerate(rows, start=2) if row[3]]
    marks = _marks(rows, faulty)
    for number, first in marks.items():
        mine = rows[number - 2]
        same = {
            other
            for other, row in enumerate(rows, start=2)
            if any(a is not None and a == b for a, b in zip(mine[:2], row[:2], strict=True))
        } - {number}
        assert first is None or marks[first] is None
        assert (first is None) or same
        if same - set(faulty):
            assert first is not None or number not in faulty
            assert first not in faulty


@settings(deadline=None, max_examples=60)
@given(ROWS, st.randoms())
def test_the_order_of_the_rows_decides_nothing(rows, random):
    turned = list(rows)
    random.shuffle(turned)

    def kept(some) -> list[str]:
        faulty = [number for number, row in enumerate(some, start=2) if row[3]]
        marks = _marks(some, faulty)
        return sorted(str(some[number - 2]) for number, first in marks.items() if first is None)

    assert kept(rows) == kept(turned)


def test_five_equal_surveys_with_a_wall_area_are_clones():
    some = {
        "floor_area_m2": 85.0, "wall_area_m2": 62.5, "window_area_m2": 14.2,
        "u_existing_w_m2k": None, "loft_insulation_mm": None, "wall_thickness_mm": None,
        "heating": None, "glazing": "single",
    }  # fmt: skip
    street = [{"source_row": n, "address": f"{n} Alder Row", **some} for n in range(2, 7)]
    marked = duplicates.mark_clones(pl.DataFrame(street, infer_schema_length=None))
    assert marked["cloned_rows"].to_list() == [5] * 5
    for gap in ("wall_area_m2", "glazing"):
        fewer = pl.DataFrame(street, infer_schema_length=None).with_columns(
            pl.lit(None, pl.Float64).alias(gap)
        )
        assert duplicates.mark_clones(fewer)["cloned_rows"].null_count() == 5
