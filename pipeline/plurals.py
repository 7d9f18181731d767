"""Counts in plain English."""


def counted(number: float, one: str, many: str = "") -> str:
    """A number with what it counts: "1 row", "2 rows", "0 rows"; many: where it is not one and s.

    Of several words the first takes the s: "1 row of headings", "2 rows of headings".
    """
    first, space, rest = one.partition(" ")
    return f"{number:,.0f} {one if number == 1 else many or first + 's' + space + rest}"
