"""Which rows are one home, may be one, or are told apart: as a postman would say.

The ways to write an address are common practice; every home, key and number here is invented.
"""

import polars as pl
import pytest

from pipeline import identity
from pipeline.identity.addresses import read, told_apart
from tests.conftest import DEMO_STOCK

ONE_HOME_PERHAPS = [
    ("12 Centre Street", "12 Center Street"),
    ("12 Front Street", "12 Font Street"),
    ("12 Back Lane", "12 Bak Lane"),
    ("Oaklodge", "Oak Lodge"),
    ("Rose Cottage, High Street", "Rosecottage, High St"),
    ("14 Victoria Street", "14 Vic St"),
    ("14 Westminster Road", "14 Wmr Rd"),
    ("14 Northumberland Road", "14 N'land Rd"),
    ("14 H.M. Stanley Road", "14 HM Stanley Rd"),
    ("121-123 Oak Road", "121-3 Oak Road"),
    ("10 Oak Road", "1O Oak Road"),
    ("140 Broadway", "14O Broadway"),
    ("1400 Broadway", "1,400 Broadway"),
    ("12½ Oak Road", "12 1/2 Oak Road"),
    ("3 Back Mill Lane", "3 Rear Mill Lane"),
    ("Flat 0/1, 12 Oak Road", "Flat G/1, 12 Oak Road"),
    ("Flat1, 10 Mill Road", "Flat 1, 10 Mill Road"),
    ("F1, 10 Mill Road", "Flat 1, 10 Mill Road"),
    ("Fl. 1, 10 Mill Road", "Flat 1, 10 Mill Road"),
    ("Flat One, 10 Mill Road", "Flat 1, 10 Mill Road"),
    ("2A High Street", "Flat A, 2 High Street"),
    ("Flat 2/1, 10 Mill Road", "10 Mill Road, Flat 2/1"),
    ("2F1, 10 Mill Road", "Flat 2/1, 10 Mill Road"),
    ("2F1 10 Mill Road", "10 Mill Road, Flat 2/1"),
    ("2/1 High St", "Flat 1, 2 High Street"),
    ("Flat 1, Quillon House, 2 High Street", "Flat 1, Quillon House"),
    ("Flat 1, Quillon House, 2 High Street", "Flat 1"),
    ("1 Quillon House", "Flat 1, Quillon House, 2 High Street"),
    ("2 High Street", "2-4 High Street"),
    ("1-3 High Street", "1 High Street"),
    ("One High Street", "1 High Street"),
    ("7 Second Avenue", "7 2nd Avenue"),
    ("Ground Floor Flat, 2 High Street", "GFF, 2 High Street"),
    ("Ground Floor Flat, 2 High Street", "Flat 1, 2 High Street"),
    ("GFF 2 High Street", "Flat 1, 2 High Street"),
    ("Flats 1-6 Quillon House", "Flat 3, Quillon House"),
    ("Room 1, 2 High Street", "Flat 1, 2 High Street"),
    ("１２ Mill Road", "12 Mill Road"),
    ("① Mill Road", "1 Mill Road"),
    ("Rose Cottage, Mill Lane, Tarnwick", "Rose Cottage"),
    ("Rose Cottage, Mill Lane", "Rose Cottage, Tarnwick"),
    ("Top floor flat, 10 Mill Street", "Second floor flat, 10 Mill Street"),
    ("10 B Mill Street", "10b Mill St"),
    ("St John's Court 4", "4 St Johns Court"),
    ("Flat 2 High Street", "2 High Street"),
    ("10 Mill Road, Second Floor 1", "Flat 2/1, 10 Mill Road"),
    ("½ Mill Road", "1/2 Mill Road"),
    ("Apartment 12, 3 Low Road", "Apt 12 3 Low Rd"),
    ("Unit 3, 4 High St", "Flat 3, 4 High St"),
    ("7 Low Road", "7 Low Road, Tarnwick"),
    ("2 & 4 High Street", "4 High Street"),
    ("House 3, Low Road", "3 Low Road"),
    ("1st Floor Flat, 2 High Street", "First Floor, 2 High Street"),
    ("12 Mill Road Flat 3", "Flat 3 12 Mill Road"),
    ("Twenty One Low Road", "21 Low Road"),
    ("Flat 21, 3 Low Road", "Flat twenty-one, 3 Low Road"),
    ("7 Low Road", "Seven Low Road"),
    ("Flat 1A, 2 High Street", "Flat A1, 2 High Street"),
    ("3 Ash House Flat 2", "Flat 2, Ash House 3"),
]
TWO_HOMES = [
    ("Flats 1-6 Quillon House", "Flat 7, Quillon House"),
    ("Rose Cottage, Mill Lane", "Ivy Cottage, Mill Lane"),
    ("12 Mill Road", "14 Mill Road"),
    ("Flat 2, 10 Mill Street", "Flat 3, 10 Mill Street"),
    ("Flat 2, 10 Mill Street", "Flat 10, 2 Mill Street"),
    ("Flat A, 10 Mill Street", "Flat B, 10 Mill Street"),
    ("First floor flat, 10 Mill Street", "Ground floor flat, 10 Mill Street"),
    ("10 Mill Street", "12 Mill Street"),
    ("10A Mill Street", "10B Mill Street"),
    ("10 Mill Street", "10B Mill Street"),
    ("Flat 2/1, 10 Mill Road", "Flat 2/2, 10 Mill Road"),
    ("Flat 1/2, 10 Mill Road", "Flat 2/1, 10 Mill Road"),
    ("2/1 High St", "2/2 High St"),
    ("2 High Street", "Flat 2, 14 High Street"),
    ("Flat 1, Quillon House", "Flat 2, Quillon House"),
    ("1 Quillon House", "2 Quillon House"),
    ("Flat 1 Quillon House", "Flat 2 Quillon House"),
    ("Flat 12, 3 Low Road", "Flat 1, 3 Low Road"),
    ("12 The Beeches", "11 The Beeches"),
    ("Left, 2 High Street", "Right, 2 High Street"),
    ("Flat G/1, 10 Mill Road", "Flat G/2, 10 Mill Road"),
]


def _homes(*rows: tuple[str | None, ...]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=dict.fromkeys(identity.NAMED, pl.String), orient="row")


def _ways(one: tuple[str | None, ...], other: tuple[str | None, ...]) -> list[str]:
    met = identity.met(_homes(one), _homes(other))
    assert identity.met(_homes(other), _homes(one))["way"].to_list() == met["way"].to_list()
    return met["way"].to_list()


ONE_HOME_PERHAPS += [
    ("Ael-y-Bryn", "Aelybryn"), ("Ael y Bryn, Llanfair", "Aelybryn"), ("Tan-yr-Allt", "Tanyrallt"),
    ("Flat 101, Mill House", "1/01 Mill House"), ("Flat 101 Mill House", "Flat 1-01, Mill House"),
    ("1A Mill House", "Flat 1, Block A, Mill House"), ("Flat A1 Mill House", "Flat 1 Block A"),
    ("Flat 1, Mill House", "Flat 1, Block A, Mill House"),
    ("1F L, 24 Ness Brae", "First floor left, 24 Ness Brae"),
    ("GF L, 24 Ness Brae", "24 Ness Brae"),
    ("Tygwyn", "Ty Gwyn, Lon Las"), ("Pen-yr-Heol, Llanfair", "Penyrheol, Lon Las"),
    ("101 Mill House", "1/01 Mill House"), ("101, 10 Mill Road", "Flat 1/1, 10 Mill Road"),
    ("Flat 112, Mill House", "1/12 Mill House"), ("Flat 1201, Mill House", "12-01 Mill House"),
    ("Flat 110, Mill House", "Flat 1-10, Mill House"), ("101 Mill House", "1-01 Mill House"),
    ("Block A, Flat 1, Mill House", "Flat 1A, Mill House"),
    ("Flat 1 A Block, Mill House", "Flat A/1, Mill House"),
    ("Flat A-1 Mill House", "Flat 1, Block A, Mill House"),
    ("Flat 1, Block 2, Mill House", "Flat 2/1, Mill House"),
]  # fmt: skip
TWO_HOMES += [
    ("8 Heron Court", "8 Rook House"), ("128 Nettle Bank, Lenby", "128 Ashfold Road, Lenby"),
    ("Flat 1, Block A, Mill House", "Flat 1, Block B, Mill House"), ("Ael-y-Bryn", "Ael-y-Don"),
    ("GF L, 24 Ness Brae", "GF R, 24 Ness Brae"), ("GF L, 24 Ness Brae", "Top L, 24 Ness Brae"),
    ("101 Mill Road", "1 Mill Road"), ("Flat 101 Mill House", "Flat 201 Mill House"),
    ("Flat 1, Block A, Mill House", "Flat 1B, Mill House"), ("Ty Gwyn", "Tynewydd"),
    ("Flat 101, Mill House", "1 Mill House"), ("101 The Beeches", "1 The Beeches"),
    ("Flat 112, Mill House", "Flat 12, Mill House"), ("101 Mill Road", "1/1 Mill Road"),
    ("Flat 1, Block 2, Mill House", "Flat 1, Block 3, Mill House"),
]  # fmt: skip


@pytest.mark.parametrize(("one", "other"), ONE_HOME_PERHAPS)
def test_one_home_written_in_two_ways_is_met(one, other):
    assert len(_ways(("A1", None, one, "LS99 1AB"), ("B7", None, other, "ls991ab"))) == 1


@pytest.mark.parametrize(("one", "other"), TWO_HOMES)
def test_two_homes_of_one_postcode_are_told_apart(one, other):
    assert _ways(("A1", None, one, "LS99 1AB"), ("B7", None, other, "LS99 1AB")) == []


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("HX77 3AB", "HX77 3A8"), ("HX1O 3AB", "HX10 3AB"), ("HX77 3AB", "HX77 3AC"),
        ("HX77 3AB", "HX76 3AB"), ("HX77 3AB", "XH77 3AB"),
        ("HX77 3AB", None), (None, None),
    ],
)  # fmt: skip
def test_one_address_with_another_postcode_or_none_is_a_doubt(one, other):
    ways = _ways(("A1", None, "7 Low Road", one), ("B7", None, "7 Low Rd", other))
    assert ways in ([identity.ELSEWHERE], [identity.LIKE_ADDRESS])
    far = ("A1", None, "7 Low Road", "HX77 3AB"), ("B7", None, "7 Low Road", "LS99 1AB")
    assert _ways(*far) == []


@pytest.mark.parametrize("other", ["HX7 3AB", "HX76 3AC", "HX78 4AB", "XH77 3BA", "HX77 3ABB"])
@pytest.mark.parametrize("short", ["4 Mill Ln", "4 Mill Lane, Tarnwick", "Rose Cottage"])
def test_a_short_address_whose_postcode_has_two_wrong_characters_is_held(short, other):
    whole = "Rose Cottage" if short == "Rose Cottage" else "4 Mill Lane"
    ways = _ways(("A1", None, whole, "HX77 3AB"), ("B7", None, short, other))
    assert ways == [identity.ELSEWHERE]
    assert _ways(("A1", None, "6 Mill Lane", "HX77 3AB"), ("B7", None, short, other)) == []


def test_the_postcode_in_the_address_counts_beside_its_column():
    one = ("A1", None, "7 Low Road, HX77 3AB", "HX77 3AB")
    other = ("B7", None, "7 Low Road, HX77 3AB", "LS99 1AB")
    assert _ways(one, other) == [identity.LIKE_ADDRESS]


@pytest.mark.parametrize(
    ("other", "ways"),
    [
        ("Flat One, 10 Mill Rd", [identity.OTHER_UPRN]),
        ("10 Mill Road, Flat 1", [identity.OTHER_UPRN]),
        ("10 Mill Road", []), ("Flat 2, 10 Mill Road", []),
    ],
)  # fmt: skip
def test_other_uprns_part_a_flat_from_its_house_but_no_two_spellings(other, ways):
    one = ("A1", "1001", "Flat 1, 10 Mill Road", "LS99 1AB")
    assert _ways(one, ("B7", "1002", other, "LS99 1AB")) == ways


@pytest.mark.parametrize(
    ("one", "other", "alike"),
    [
        ("TH-0001-0001", "TH-1-1", True), ("0012/0003", "12/3", True), ("12/3", "1/23", False),
        ("\uff34\uff280001", "TH1", True), ("TH-0001-0001", "TH-1-11", False),
    ],
)  # fmt: skip
def test_keys_are_alike_without_the_zeros_of_each_number(one, other, alike):
    ways = _ways((one, None, None, None), (other, None, None, None))
    assert ways == [identity.LIKE_KEY] * alike


def test_a_home_is_told_with_every_home_that_it_looks_like():
    before = _homes(
        ("A1", None, "Flat 1, 2 High Street", "LS99 1AB"), ("A2", None, "2 High Street", "LS99 1AB")
    )
    met = identity.met(_homes(("B7", None, "GFF, 2 High St", "LS99 1AB")), before)
    assert set(met["other"]) == {"A1", "A2"}


def test_homes_of_the_demo_are_told_apart_but_for_its_second_entries():
    """The demo enters ten homes twice; nothing else of its streets and blocks is a doubt."""
    named = {"home_id": "Property Ref", "uprn": "UPRN", "address": "Address Line 1",
             "postcode": "Post Code"}  # fmt: skip
    listed = pl.read_csv(DEMO_STOCK, infer_schema=False).select(
        pl.col(heading).alias(name) for name, heading in named.items()
    )
    keyed = listed.drop_nulls("home_id").unique("home_id", keep="first", maintain_order=True)
    met = identity.doubles(keyed)
    assert met.height <= 10 + 5
    assert set(met["way"]) <= {identity.ADDRESS, identity.UPRN}


def test_many_homes_at_one_postcode_are_compared_by_their_numbers():
    """A placeholder for a postcode must not cost the square of the list."""
    homes = _homes(*((f"A{n}", None, f"{n} Mill Road", "AA1 1AA") for n in range(3000)))
    assert identity.met(homes, homes)["way"].to_list() == [identity.KEY] * 3000
    assert told_apart(read("1 Mill Road", None), read("2 Mill Road", None))
