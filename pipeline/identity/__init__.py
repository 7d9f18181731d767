"""Which rows are one home: by the landlord's key, the UPRN, and the address with its postcode.

Two rows are one home for sure, or in doubt, or told apart. A doubt is for a person to settle.
"""

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.identity import addresses
from pipeline.identity.addresses import Address, much_alike, near, read, told_apart

NAMED = ("home_id", "uprn", "address", "postcode")
"""Columns by which homes are known again."""
KEY, UPRN, ADDRESS = "the same key", "the same UPRN", "the same address and postcode"
LIKE_KEY = "a key that differs only in case, marks or zeros"
OTHER_UPRN = "the same address and postcode under another UPRN"
LIKE_ADDRESS = "a like address at the same postcode"
ELSEWHERE = "the same address with another postcode or none"
SURE = (KEY, UPRN, ADDRESS)
"""Ways to meet that make two rows one home; the others are held until somebody has looked."""
_WAYS = (*SURE, LIKE_KEY, OTHER_UPRN, LIKE_ADDRESS, ELSEWHERE)
Another = Mapping[tuple[str, str], str]
"""Two homes that look like one, each by its key, and why somebody found them to be two."""
_POSTCODE = r"\b([a-z]{1,2}\d[a-z\d]?) ?(\d[a-z]{2})\b"
_FLAT = r"^(.*)\b(?:flat|flt|apartment|apt|unit) ([a-z]?\d+[a-z]?|[a-z])\b(.*)$"
_CROWD = 400
"""Homes at one postcode, above which it is no postcode and only equal numbers are compared."""
_TELLING = 3
"""Words of an address that name it wherever it lies."""
_RUNS = ("123456789012", "987654321098")


def nowhere(homes: pl.DataFrame) -> list[str]:
    """Keys of the homes whose address or postcode is not known, in their order.

    Nobody could tell later whether such a home was claimed.
    """
    named = homes.select("home_id", "address", "postcode").iter_rows()
    return [home for home, *place in named if not read(*place).says_where]


def _plain() -> pl.Expr:
    """The address in lower case without marks, its own postcode, and zeros that pad a number.

    The number of a flat stands first, marked: "#2 10b mill road" for "10 B Mill Road, Flat No. 2".
    """
    bare = pl.col("address").str.to_lowercase().str.replace_all(r"['’]", "")
    spaced = bare.str.replace_all(r"[^\pL\d]+", " ").str.replace(_POSTCODE, "")
    numbered = spaced.str.replace_all(r"\b(?:no )?0*(\d)", "$1")
    return numbered.str.replace_all(r"\b(\d+) ([a-z])\b", "$1$2").str.replace(_FLAT, "#$2 $1 $3")


def _postcode() -> pl.Expr:
    """The postcode without spaces: its own column's, else the one that ends the address."""
    own = pl.col("postcode").str.to_lowercase().str.replace_all(r"[^a-z0-9]", "")
    within = pl.col("address").str.to_lowercase()
    written = within.str.extract(_POSTCODE, 1) + within.str.extract(_POSTCODE, 2)
    return pl.coalesce(own, written)


def _said(homes: pl.DataFrame) -> pl.DataFrame:
    """What the address of each row says: at, numbers, words.

    at: the postcode; numbers: that of a flat first, "2 10b"; words: in alphabetical order, short
    forms written out.
    """
    plain = pl.col("plain")
    found = plain.str.extract_all(r"#[a-z0-9]+|\b[a-z]*\d[a-z0-9]*\b").list.join(" ")
    words = plain.str.extract_all(r"\b\pL+\b").list.eval(pl.element().replace(addresses.SHORT))
    return homes.select(at=_postcode(), plain=_plain()).select(
        "at",
        numbers=found.str.replace("#", "", literal=True),
        words=words.list.sort().list.join(" "),
    )


def _joined(*names: str) -> pl.Expr:
    return pl.concat_str(*map(pl.col, names), separator="|")


_ADDRESS = pl.when(pl.col("numbers") != "").then(_joined("at", "numbers", "words"))


def address_key(homes: pl.DataFrame) -> pl.Series:
    """Postcode, numbers in their order and words in alphabetical order, for any style of writing.

    homes: address and postcode. Null without a postcode or without a number.
    """
    return _said(homes).select(_ADDRESS).to_series()


def like_keys(homes: pl.DataFrame) -> pl.DataFrame:
    """What keys that differ only in case, marks or zeros have in common, one line a home.

    core: the key without case, marks and zeros that pad it; parts: its words and numbers, each
    without such zeros; parted: whether marks part numbers, so that 1-23 is another key than 12-3,
    and 123 may be either.
    """
    plain = pl.col("home_id").str.normalize("NFKC").str.to_lowercase()
    parts = plain.str.extract_all(r"\pL+|\d+")
    bare = plain.str.replace_all(r"[\W_]", "")
    return homes.select(
        core=bare.str.replace_all(r"(^|[a-z])0+(\d)", "$1$2"),
        parts=parts.list.eval(pl.element().str.replace(r"^0+(\d)", "$1")).list.join("-"),
        parted=plain.str.contains(r"\d[\W_]+\d"),
    )


def no_uprn(text: pl.Expr) -> pl.Expr:
    """Whether a text stands in for a UPRN not known: words, zero, 9999, 123456789, 100000000."""
    digits = text.str.replace(r"\.0+$", "").str.replace(r"^0+", "")
    same = "|".join(f"{digit}{{4,}}" for digit in range(1, 10))
    runs = "|".join(run[:size] for run in _RUNS for size in range(5, len(run) + 1))
    return ~text.str.contains(r"[1-9]") | digits.str.contains(rf"^(?:{same}|{runs}|[1-9]0{{6,}})$")


def uprn(text: pl.Expr) -> pl.Expr:
    """A UPRN as text without the zeros that pad it and the '.0' that a spreadsheet may add."""
    return text.str.replace(r"^0*(\d+?)(?:\.0+)?$", "$1")


@dataclass(frozen=True, slots=True)
class _Home:
    """What one row is known by: its number, key, numbers of the key apart, UPRN, address."""

    row: int
    key: str
    core: str
    parts: str
    uprn: str | None
    exact: str | None
    address: Address

    def marks(self) -> Iterator[tuple[object, ...]]:
        """Whatever a row of the same home may share with it, the kind of mark in front."""
        yield from (("key", self.key), ("core", self.core))
        yield from (
            (name, value) for name in ("parts", "uprn", "exact") if (value := getattr(self, name))
        )
        said = self.address
        for at in said.at:
            yield from (("at", at), ("at", at, said.atoms), ("district", at[:-3], said.atoms))
        if len(said.names) >= _TELLING:
            yield "words", said.atoms, said.names
        if said.names and said.at:
            yield "street", said.atoms, said.street
        if said.names:
            yield from (
                ("any", said.atoms),
                ("no postcode" if not said.at else "placed", said.atoms),
            )


def _homes(table: pl.DataFrame) -> list[_Home]:
    text = pl.col("uprn").str.normalize("NFKC").str.strip_chars()
    keys = like_keys(table)
    known = table.select(
        "home_id", keys["core"], pl.when(keys["parted"]).then(keys["parts"]).fill_null(""),
        uprn=pl.when(~no_uprn(text)).then(uprn(text)), exact=address_key(table),
    )  # fmt: skip
    where = table.select("address", "postcode").iter_rows()
    rows = zip(known.iter_rows(), where, strict=True)
    return [
        _Home(row, key, core, parts, number, exact, read(address, code))
        for row, ((key, core, parts, number, exact), (address, code)) in enumerate(rows)
    ]


class _Index:
    """Homes by their marks."""

    def __init__(self, homes: list[_Home]) -> None:
        self._by: dict[tuple[object, ...], list[_Home]] = defaultdict(list)
        for home in homes:
            for mark in home.marks():
                self._by[mark].append(home)

    def met_by(self, home: _Home, above: float = math.inf) -> dict[int, int]:
        """Rows `above` a number that a home meets, with the place in `_WAYS` of the surest way."""
        found: dict[int, int] = {}
        for mark in self._asked(home):
            for other in self._by.get(mark, ()):
                if other.row < above and (way := _way(home, other, str(mark[0]))):
                    found[other.row] = min(found.get(other.row, len(_WAYS)), _WAYS.index(way))
        return found

    def _asked(self, home: _Home) -> Iterator[tuple[object, ...]]:
        """Marks by which to look for a home: those of others without a postcode too."""
        atoms, placed = home.address.atoms, bool(home.address.at)
        for mark in home.marks():
            crowded = mark[0] == "at" and len(self._by.get(mark[:2], ())) > _CROWD
            if mark[0] in ("any", "no postcode", "placed"):
                continue
            if mark[0] != "at" or crowded == (len(mark) == 3):
                yield mark
        if home.address.names:
            yield ("no postcode", atoms) if placed else ("any", atoms)


def _way(home: _Home, other: _Home, kind: str) -> str | None:
    """How two homes that share a mark of a kind meet; None where they are told apart."""
    apart = bool(home.uprn and other.uprn and home.uprn != other.uprn)
    if kind in ("key", "uprn"):
        return KEY if kind == "key" else UPRN
    if kind in ("core", "parts"):
        parted = home.parts and other.parts and home.parts != other.parts
        return None if parted else LIKE_KEY
    if kind == "exact":
        return OTHER_UPRN if apart else ADDRESS
    if kind == "street" and not near(home.address.at, other.address.at):
        return None
    return _by_address(home.address, other.address, kind == "at", apart)


def _by_address(one: Address, two: Address, here: bool, apart: bool) -> str | None:
    """How homes of one postcode, or elsewhere, meet by their addresses; apart: by their UPRNs."""
    if told_apart(one, two) or (apart and not (here and much_alike(one, two))):
        return None
    if here:
        return OTHER_UPRN if apart else LIKE_ADDRESS
    nested = one.names <= two.names or two.names <= one.names
    return ELSEWHERE if nested and two.names else None


def met(homes: pl.DataFrame, before: pl.DataFrame) -> pl.DataFrame:
    """Homes that meet a row of `before`, one line for each two, the surest way first.

    homes, before: the columns NAMED (before has others too, which are kept).
    Returns home_id, `other` (the key it meets), `way`, and the further columns of `before`.
    """
    index = _Index(_homes(before.select(NAMED)))
    found = {home.row: index.met_by(home) for home in _homes(homes)} if before.height else {}
    others = before.drop("uprn", "address", "postcode").rename({"home_id": "other"})
    return _table(homes, others, found)


def doubles(homes: pl.DataFrame) -> pl.DataFrame:
    """Homes that meet one further up in the same table: home_id, `other` and `way`; as `met`."""
    known = _homes(homes)
    index = _Index(known)
    found = {home.row: index.met_by(home, above=home.row) for home in known}
    return _table(homes, homes.select(other="home_id"), found)


def told(another: Another) -> list[dict[str, str]]:
    """Pairs with their reasons, as a claim and an allocation keep them."""
    return [{"home_id": a, "other": b, "reason": why} for (a, b), why in sorted(another.items())]


def _table(
    homes: pl.DataFrame, others: pl.DataFrame, found: dict[int, dict[int, int]]
) -> pl.DataFrame:
    pairs = [(way, row, other) for row, some in found.items() for other, way in some.items()]
    schema = {"way": pl.Int64, "row": pl.Int64, "place": pl.Int64}
    table = pl.DataFrame(sorted(pairs), schema=schema, orient="row")
    return pl.concat(
        [
            homes.select("home_id")[table["row"]],
            others[table["place"]],
            table.select(
                way=pl.col("way").replace_strict(dict(enumerate(_WAYS)), return_dtype=pl.String)
            ),
        ],
        how="horizontal",
    )
