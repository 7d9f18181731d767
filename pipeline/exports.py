"""Content and names of files for people: safe to open in a spreadsheet, safe on any disk."""

import hashlib
import re

import polars as pl

_RISKY = r"^['=+\-@\t\r]"
_FIGURE = r"^-?\d+(\.\d+)?$"
_DEVICES = r"CON|PRN|AUX|NUL|(?:COM|LPT)\d"


def file_name(key: str) -> str:
    """A safe name for the files of one home, the key itself where that is safe.

    Other characters become _; a digest of the key then keeps two homes apart.
    """
    safe = re.sub(r"[^A-Za-z0-9_-]", "_", key)[:60]
    if safe == key and not re.fullmatch(_DEVICES, key.upper()):
        return key
    return f"{safe}-{hashlib.sha256(key.encode()).hexdigest()[:8]}"


def csv_bytes(frame: pl.DataFrame) -> bytes:
    """A table as UTF-8 CSV; text that a spreadsheet would run as a formula gets a leading '.

    So does text that begins with ' already, so that reading back is exact (`casting.clean`).
    """
    return (
        frame.with_columns(
            pl.when(pl.col(name).str.contains(_RISKY) & ~pl.col(name).str.contains(_FIGURE))
            .then("'" + pl.col(name))
            .otherwise(name)
            .alias(name)
            for name, dtype in frame.schema.items()
            if dtype == pl.String
        )
        .write_csv()
        .encode()
    )
