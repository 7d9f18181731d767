"""Turns the text of a cell into a value, or says that it could not be read. Never guesses.

Each caster is a polars expression from text to value; null where the text holds no value.
"""

from functools import cache
from importlib.resources import files

import polars as pl

WALLS = ("front", "rear", "gable")
_NUMBER = r"^([-+]?(?:[1-9]\d{0,2}(?:,\d{3})+(?:\.\d*)?|\d+\.?\d*|\.\d+))\s*"
_CONVERSIONS = {
    "m2": {"m2": 1.0, "ft2": 0.09290304},
    "mm": {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "ft": 304.8},
    "m": {"mm": 0.001, "cm": 0.01, "m": 1.0, "in": 0.0254, "ft": 0.3048},
    "fraction": {"%": 0.01},
    "kWh/year": {"kWh/year": 1.0, "MWh/year": 1e3, "GJ/year": 1e3 / 3.6, "therm/year": 29.307107},
    "kN": {"kN": 1.0, "N": 0.001},
    "no": {"no": 1.0, "N": 1.0},
}


@cache
def _codes() -> pl.DataFrame:
    return pl.read_csv(str(files("pipeline.stock") / "codes.csv"), infer_schema=False)


@cache
def _discarded() -> list[str]:
    return _codes().filter(pl.col("kind") == "discard")["word"].to_list()


@cache
def spellings() -> dict[str, str]:
    """Unit of codes.csv by each way to write it, in lower case without spaces or dots."""
    units = _codes().filter(pl.col("kind") == "unit")
    return dict(zip(units["word"], units["code"], strict=True))


def conversions(unit: str) -> dict[str, float]:
    """What a figure in each unit is multiplied by to stand in `unit`, a unit of the dictionary."""
    return _CONVERSIONS.get(unit, {unit: 1.0})


@cache
def clean(column: str) -> pl.Expr:
    """Text without outer or double spaces; null where it is empty or a word for 'unknown'.

    The ' that `exports.csv_bytes` puts before text a spreadsheet would run is taken off again.
    """
    sent = pl.col(column).str.replace(r"^'(['=+\-@\t\r])", "$1")
    text = sent.str.replace_all(r"\s+", " ").str.strip_chars()
    return pl.when(text.str.to_lowercase().is_in(["", *_discarded()])).then(None).otherwise(text)


@cache
def codes_of(column: str) -> tuple[str, ...]:
    """The codes a column knows, in their order."""
    rows = _codes().filter(pl.col("column") == column, pl.col("kind") != "discard")
    return tuple(rows["code"].unique(maintain_order=True))


@cache
def _words(column: str) -> dict[str, str]:
    """Code by word of one column: the tables `label` and `fix` of codes.csv."""
    words = _codes().filter(pl.col("column") == column, pl.col("kind").is_in(["label", "fix"]))
    return dict(zip(words["word"], words["code"], strict=True))


def code(text: pl.Expr, column: str) -> pl.Expr:
    """The code of a word by the tables `label` and `fix` of codes.csv."""
    plain = text.str.to_lowercase().str.replace_all("_", " ")
    return plain.replace_strict(_words(column), default=None, return_dtype=pl.String)


def walls(text: pl.Expr, column: str) -> pl.Expr:
    """The walls of WALLS a cell names by words of codes.csv ('side & back'), in order, joined by _.

    Null where a word is not known, or stands beside one for none.
    """
    parts = text.str.replace_all(r"(?i) and |[/&+,;]", ",").str.split(",")
    known = parts.list.eval(code(pl.element().str.strip_chars(), column))
    said = known.list.join("_", ignore_nulls=False)
    named = (pl.when(said.str.contains(wall, literal=True)).then(pl.lit(wall)) for wall in WALLS)
    some = pl.concat_str(named, separator="_", ignore_nulls=True)
    none = said.str.contains("none", literal=True)
    return pl.when(said == "none").then(said).when(~none).then(some)


def _figure(text: pl.Expr) -> pl.Expr:
    """The figure a text begins with. A comma parts thousands; a decimal comma is left over."""
    digits = text.str.extract(_NUMBER, 1).str.replace_all(",", "")
    return digits.cast(pl.Float64, strict=False)


def _unit(text: pl.Expr) -> pl.Expr:
    """The unit behind the figure: empty where none stands there, null where it is not known."""
    rest = text.str.to_lowercase().str.replace(_NUMBER, "")
    plain = rest.str.replace_all(r"[\s.]", "").str.replace_all("²", "2")
    known = {"": "", **spellings()}
    return plain.replace_strict(known, default=None, return_dtype=pl.String)


def number(text: pl.Expr, unit: str = "W/m2K", said: str = "") -> pl.Expr:
    """A figure in `unit`, the column's unit in the dictionary; null behind a unit of another kind.

    A cell's own unit counts, else `said`, the unit its heading states, else `unit`. Feet are read
    only under a heading in feet.
    """
    factors = conversions(unit)
    in_cell = {name: by for name, by in factors.items() if name != "ft" or said == "ft"}
    bare = factors.get(said) if said else 1.0
    factor = _unit(text).replace_strict(
        ["", *in_cell], [bare, *in_cell.values()], default=None, return_dtype=pl.Float64
    )
    return _figure(text) * factor


def length_mm(text: pl.Expr, said: str = "") -> pl.Expr:
    """A length in mm; cm, m and inches are converted where the cell or the heading says so."""
    return number(text, "mm", said)


def share(text: pl.Expr) -> pl.Expr:
    """A fraction; '80%' and '80' are read as 0.80, '1' as the whole.

    Null over 100 percent, and over 1 to 2 without a sign: that may be a percentage or a mistake.
    """
    figure, unit = _figure(text), _unit(text)
    percent = (unit == "%") | (figure > 2.0)
    return (
        pl.when(percent & unit.is_in(["", "%"]) & (figure <= 100.0))
        .then(figure * 0.01)
        .when((unit == "") & (figure <= 1.0))
        .then(figure)
    )


def age_band(text: pl.Expr) -> pl.Expr:
    """The construction age band A to M where the cell gives a band, not a year."""
    return text.str.to_uppercase().str.extract(r"^(?:SAP |RDSAP )?(?:AGE )?(?:BAND )?([A-M])$", 1)


def epc(text: pl.Expr) -> pl.Expr:
    """The one band A to G of a text such as 'EPC D (56)', 'Band D, lodged 2011' or 'D62'."""
    bands = text.str.to_uppercase().str.extract_all(r"\b[A-G](?:\d{1,3})?\b").list
    letters = bands.eval(pl.element().str.slice(0, 1)).list.unique()
    return pl.when(letters.list.len() == 1).then(letters.list.first())


def no_epc(text: pl.Expr) -> pl.Expr:
    """Whether a text says that there is no certificate."""
    return text.str.contains(r"(?i)\bno (?:epc|cert)|^none\b|\bexpired\b")


def no_loft(text: pl.Expr) -> pl.Expr:
    """Whether a text says that there is no loft, as under another home: nothing to insulate."""
    return text.str.contains(
        r"(?i)\b(?:no|dim) (?:loft|llofft|hatch)\b|\babove\)?$|\bcoomb|\buwchben\b"
    )


def postcode(text: pl.Expr) -> pl.Expr:
    """A postcode in capitals with one space before its last three characters."""
    packed = text.str.to_uppercase().str.replace_all(r"[^A-Z0-9]", "")
    return packed.str.replace(r"^(.+)(.{3})$", "$1 $2")


def whole_number_text(text: pl.Expr) -> pl.Expr:
    """A reference number as text, without the '.0' that a spreadsheet may add."""
    return text.str.replace(r"^(\d+)\.0+$", "$1")


def date(text: pl.Expr) -> pl.Expr:
    """A day: 2024-05-31 (with or without a time) or 31/05/2024, day before month.

    A year of two figures is one of this century.
    """
    plain = text.str.replace(r"^(\d{4}-\d\d-\d\d)[ T].*$", "$1").str.replace_all(r"[.\-/]", "/")
    plain = plain.str.replace(r"^(\d{1,2}[/ ](?:\d{1,2}|\pL{3,9})[/ ])'?(\d\d)$", "${1}20$2")
    forms = ("%Y/%m/%d", "%d/%m/%Y", "%d/%b/%Y", "%d %b %Y", "%d %B %Y")
    return pl.coalesce(plain.str.to_date(form, strict=False) for form in forms)
