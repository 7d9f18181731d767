"""A figure among words: "approx. 102m2", "topped up to 270mm", "66 m2 / 710 sq ft"."""

import re
from functools import lru_cache

from pipeline.stock import casting

_NUMBER = r"(?<![\w.,])(\d{1,3}(?:,\d{3})+(?:\.\d+)?|\d+(?:\.\d+)?)(?![.,]?\d)"
_ALIKE = 0.02
"""Share by which one figure in two units may differ, from rounding."""
_ABOUT = (
    "approx", "approximately", "about", "around", "circa", "c", "ca", "est", "estimated", "say",
    "default", "assumed", "measured", "internal", "total", "overall", "at", "between", "over",
    "joist", "joists", "laid", "quilt", "loft", "insulation", "insul", "deep", "fibreglass",
)  # fmt: skip


@lru_cache(maxsize=1024)
def _units(unit: str, said: str) -> re.Pattern[str]:
    """A figure with a unit behind it that can be turned into the column's."""
    usable = casting.conversions(unit)
    ways = [
        w for w, u in casting.spellings().items() if u in usable and (u != "ft" or said == "ft")
    ]
    spaced = (r"[\s.]*".join(map(re.escape, way)) for way in sorted(ways, key=len, reverse=True))
    return re.compile(rf"{_NUMBER}\s*\+?\s*({'|'.join(spaced)})(?![a-z\d])")


@lru_cache(maxsize=65_536)
def read(text: str, unit: str, said: str) -> float | None:
    """The one figure of a text in a column's unit; None where there is none, or more than one.

    said: the unit the heading states, which counts where the text has none. A range or a sum of
    money is no figure.
    """
    low = re.sub(r"(?<=\d)ish\b", "", text.lower().replace("\u00b2", "2"))
    low = re.sub(r"\([^)\d]*\)", " ", low)
    low = re.sub(r"^(\d+(?:\.\d+)?(?: ?[a-z]{1,2}2?)?) ?[-\u2013,] ?[a-z][^\d]*$", r"\1", low)
    low = re.sub(r"^(\d{2,3}),(\d\d?)(?=$|\s*[a-z])", r"\1.\2", low)
    if re.search(r"[£$€]|\d\s*(?:-|\u2013|to)\s*\d", low):
        return None
    factors = casting.conversions(unit)
    found = [
        float(number.replace(",", "")) * factors[casting.spellings()[re.sub(r"[\s.]", "", way)]]
        for number, way in _units(unit, said).findall(low)
    ]
    if not found:
        bare = re.findall(_NUMBER, low)
        words = re.findall(r"[a-z]+", low)
        if (
            len(bare) == 1
            and all(word in _ABOUT for word in words)
            and (not said or said in factors)
        ):
            found = [float(bare[0].replace(",", "")) * (factors[said] if said else 1.0)]
    if not found or max(found) > min(found) * (1.0 + _ALIKE):
        return None
    return found[0]
