"""Counts in plain English."""

import re


def counted(number: float, one: str, many: str = "") -> str:
    """A number with what it counts: "1 row", "2 older rows of homes"; many: where no s makes it."""
    told = one if number == 1 else many or re.sub(r"^(.+?)(?= of | with |$)", r"\1s", one)
    return f"{number:,.0f} {told}"
