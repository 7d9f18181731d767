"""`uv run python -m tests.lists [FOLDER]`: how much of lists nobody here wrote is read, and right.

FOLDER holds other lists with their truth; with -v every difference is printed too.
"""

import sys
from pathlib import Path

import polars as pl

from tests.lists.score import HERE, folders, score, table


def main(words: list[str]) -> None:
    """Score every list and print the table."""
    roots = [Path(word) for word in words if word != "-v"] or [HERE]
    scores = [score(folder) for root in roots for folder in folders(root)]
    if "-v" in words:
        for made in scores:
            print(f"\n{made.name}: {made.refused}", *made.examples, sep="\n  ")
    with pl.Config(tbl_rows=-1, tbl_cols=-1, fmt_str_lengths=90, tbl_width_chars=230):
        print(table(scores))


if __name__ == "__main__":
    main(sys.argv[1:])
