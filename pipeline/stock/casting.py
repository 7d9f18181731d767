"""Turns the text of a cell into a value, or says that it could not be read. Never guesses.

Each caster is a polars expression from text to value; null where the text holds no value.
"""

from functools import cache
from importlib.resources import files

import polars as pl

_NUMBER = r"^[£]?([-+]?(?:\d[\d,]*\.?\d*|\.\d+))\s*"
_SQUARE_FEET = 0.09290304
_LENGTHS_MM = {"": 1.0, "mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, '"': 25.4}


@cache
def _codes() -> pl.DataFrame:
    return pl.read_csv(str(files("pipeline.stock") / "codes.csv"), infer_schema=False)


@cache
def _discarded() -> list[str]:
    return _codes().filter(pl.col("kind") == "discard")["word"].to_list()


def clean(column: str) -> pl.Expr:
    """Text without outer or double spaces; null where it is empty or a word for 'unknown'.

    The ' that `exports.csv_bytes` puts before text a spreadsheet would run is taken off again.
    """
    sent = pl.col(column).str.replace(r"^'(['=+\-@\t\r])", "$1")
    text = sent.str.replace_all(r"\s+", " ").str.strip_chars()
    return pl.when(text.str.to_lowercase().is_in(["", *_discarded()])).then(None).otherwise(text)


def code(text: pl.Expr, column: str) -> pl.Expr:
    """The code of a word by the tables `label` and `fix` of codes.csv."""
    words = _codes().filter(pl.col("column") == column, pl.col("kind").is_in(["label", "fix"]))
    plain = text.str.to_lowercase().str.replace_all("_", " ")
    return plain.replace_strict(
        words["word"].to_list(), words["code"].to_list(), default=None, return_dtype=pl.String
    )


def _figure(text: pl.Expr) -> pl.Expr:
    digits = text.str.extract(_NUMBER, 1).str.replace_all(",", "")
    return digits.cast(pl.Float64, strict=False)


def _unit(text: pl.Expr) -> pl.Expr:
    rest = text.str.to_lowercase().str.replace(_NUMBER, "")
    return rest.str.replace_all(r"[\s.]", "").str.replace_all("²", "2")


def number(text: pl.Expr) -> pl.Expr:
    """A plain figure; thousands separators and a trailing unit of the column are let pass."""
    known = ["", "w/m2k", "w/k", "kwh", "kwh/year", "kwh/yr", "kwhpa", "m", "storeys", "storey"]
    return pl.when(_unit(text).is_in(known)).then(_figure(text))


def area(text: pl.Expr, imperial: bool) -> pl.Expr:
    """An area in m2; square feet are converted where the cell or the heading says so."""
    metres = ["m2", "sqm", "sqmetres", "sqmeters", "squaremetres"]
    feet = ["ft2", "sqft", "sqfeet", "squarefeet", "sf"]
    unit = _unit(text)
    bare = _SQUARE_FEET if imperial else 1.0
    return (
        pl.when(unit.is_in(metres))
        .then(_figure(text))
        .when(unit.is_in(feet))
        .then(_figure(text) * _SQUARE_FEET)
        .when(unit == "")
        .then(_figure(text) * bare)
    )


def length_mm(text: pl.Expr) -> pl.Expr:
    """A length in mm; cm, m and inches are converted where the cell says so."""
    unit = _unit(text).str.replace(r"^(inch|inches|ins|'')$", "in").str.replace(r"^metres?$", "m")
    factor = unit.replace_strict(
        list(_LENGTHS_MM), list(_LENGTHS_MM.values()), default=None, return_dtype=pl.Float64
    )
    return _figure(text) * factor


def share(text: pl.Expr) -> pl.Expr:
    """A fraction; '80%' and '80' are read as 0.80, '1' as the whole."""
    figure, unit = _figure(text), _unit(text)
    percent = (unit == "%") | (figure > 1.0)
    return pl.when(unit.is_in(["", "%"])).then(
        pl.when(percent).then(figure * 0.01).otherwise(figure)
    )


def year(text: pl.Expr) -> pl.Expr:
    """The year a building is counted to, from a year, date, range, '1930s' or 'pre 1900'."""
    low = text.str.to_lowercase()
    single = low.str.extract(r"^(?:c\.?|circa)? ?(\d{4})(?:\.0)?$", 1)
    dated = low.str.extract(r"^(\d{4})-\d\d-\d\d(?:[ t]\d\d:\d\d(?::\d\d)?)?$", 1)
    slashed = low.str.extract(r"^\d{1,2}/\d{1,2}/(\d{4})$", 1)
    decade = low.str.extract(r"^(\d{3}0)'?s$", 1)
    before = low.str.extract(r"^(?:pre|before|pre-|<) ?-?(\d{4})$", 1)
    after = low.str.extract(r"^(?:post|after|from|post-|>) ?-?(\d{4})$", 1)
    onward = low.str.extract(r"^(\d{4}) ?(?:onwards|\+|on)$", 1)
    first = low.str.extract(r"^(\d{4}) ?(?:-|to|–) ?(\d{4})$", 1)
    last = low.str.extract(r"^(\d{4}) ?(?:-|to|–) ?(\d{4})$", 2)

    def num(expression: pl.Expr) -> pl.Expr:
        return expression.cast(pl.Float64, strict=False)

    return pl.coalesce(
        num(single),
        num(dated),
        num(slashed),
        num(decade) + 5.0,
        num(before) - 1.0,
        num(after) + 1.0,
        num(onward),
        ((num(first) + num(last)) / 2.0).floor(),
    )


def age_band(text: pl.Expr) -> pl.Expr:
    """The construction age band A to M where the cell gives a band, not a year."""
    return text.str.to_uppercase().str.extract(r"^(?:AGE )?(?:BAND )?([A-M])$", 1)


def postcode(text: pl.Expr) -> pl.Expr:
    """A postcode in capitals with one space before its last three characters."""
    packed = text.str.to_uppercase().str.replace_all(r"[^A-Z0-9]", "")
    return packed.str.replace(r"^(.+)(.{3})$", "$1 $2")


def whole_number_text(text: pl.Expr) -> pl.Expr:
    """A reference number as text, without the '.0' that a spreadsheet may add."""
    return text.str.replace(r"^(\d+)\.0+$", "$1")


def date(text: pl.Expr) -> pl.Expr:
    """A day: 2024-05-31 (with or without a time) or 31/05/2024, day before month."""
    plain = text.str.replace(r"^(\d{4}-\d\d-\d\d)[ T].*$", "$1").str.replace_all(r"[.\-/]", "/")
    forms = ("%Y/%m/%d", "%d/%m/%Y", "%d/%b/%Y", "%d %b %Y", "%d %B %Y")
    return pl.coalesce(plain.str.to_date(form, strict=False) for form in forms)
