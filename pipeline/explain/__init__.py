"""One home's calculation as a hand calculation: every step with formula, values, unit, source.

`steps` takes the one list of steps (`dwelling`, `works`, `money` and `damp` in turn); `paper` and
`layout` order it; the terminal, `markdown` and `pdf` show it.
"""

from pipeline.explain import markdown
from pipeline.explain.paper import Paper, paper
from pipeline.explain.step import CAUTION, MARKS, Step, show
from pipeline.explain.steps import furthest, sheet
from pipeline.exports import file_name

__all__ = [
    "CAUTION",
    "MARKS",
    "Paper",
    "Step",
    "files",
    "furthest",
    "names",
    "paper",
    "sheet",
    "show",
]


def names(home_id: str) -> tuple[str, ...]:
    """Names the files of one home's sheet may have: Markdown, PDF and PNG."""
    return tuple(f"{file_name(home_id)}.{ending}" for ending in ("md", "pdf", "png"))


def files(home_id: str, made: Paper) -> dict[str, bytes]:
    """The sheet as Markdown, PDF and, where the wall is drawn, PNG, by safe names of the home.

    The same run gives the same bytes.
    """
    from pipeline.explain import pdf, picture  # what draws takes long to import

    text, sheet_pdf, image = names(home_id)
    drawing = picture.draw(made.before, made.after, made.whose) if made.before else b""
    found = {
        text: markdown.write(made, image if drawing else ""),
        sheet_pdf: pdf.write(made, drawing),
    }
    return {**found, image: drawing} if drawing else found
