"""TOML files that a person writes: read within bounds, checked against a model, told key by key."""

import datetime
import tomllib
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from pipeline.errors import SettingsError

_MOST_BYTES = 1 << 20
"""A file of settings has a few kilobytes; a megabyte is another file given by mistake."""
_MOST_DOTS = 200
"""In one line: the parser's time grows with the square of a dotted key's depth."""
_MOST_SHOWN = 10


def _no_switch(value: Any) -> Any:
    """A number as it stands; true, false and text are no number, though Python would take them."""
    if isinstance(value, bool | str):
        raise ValueError("write a number, without quotes")
    return value


def _day(value: Any) -> Any:
    """A date as it stands or in ISO form; a bare number would be taken for seconds since 1970."""
    if not isinstance(value, datetime.date | str):
        raise ValueError("write a date as 2027-04-01")
    return value


_NUMBER = BeforeValidator(_no_switch)
_FIRST_DAY, _LAST_DAY = datetime.date(2000, 1, 1), datetime.date(2100, 12, 31)
Number = Annotated[float, _NUMBER]
Share = Annotated[float, _NUMBER, Field(ge=0.0, le=1.0)]
Positive = Annotated[float, _NUMBER, Field(gt=0.0, le=1e12)]
NotNegative = Annotated[float, _NUMBER, Field(ge=0.0, le=1e12)]
Whole = Annotated[int, _NUMBER, Field(ge=0, le=1_000_000_000)]
Day = Annotated[datetime.date, BeforeValidator(_day), Field(ge=_FIRST_DAY, le=_LAST_DAY)]


class Group(BaseModel):
    """Keys that belong together: unknown ones, infinities and what is no number are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


Model = TypeVar("Model", bound=Group)


def read(path: Path, what: str) -> dict[str, object]:
    """The content of a TOML file; `what` names it in messages, such as "Settings file".

    Raises SettingsError where it is missing, too large, no text, or no TOML.
    """
    try:
        if path.exists() and not path.is_file():
            raise SettingsError(f"{what} {path} is not a file. Name a TOML file.")
        with path.open("rb") as file:
            content = file.read(_MOST_BYTES + 1)
        if len(content) > _MOST_BYTES:
            raise SettingsError(f"{what} {path} has over 1 MiB: this is another kind of file.")
        if any(line.count(b".") > _MOST_DOTS for line in content.splitlines()):
            raise RecursionError
        return tomllib.loads(content.decode("utf-8-sig"))
    except FileNotFoundError:
        raise SettingsError(f"{what} {path} does not exist. Check the path.") from None
    except RecursionError:
        raise SettingsError(
            f"{what} {path} is not readable as TOML: it is nested too deep."
        ) from None
    except (ValueError, OSError) as fault:
        raise SettingsError(f"{what} {path} is not readable as TOML: {fault}.") from None


def build(kind: type[Model], content: dict[str, object], where: str) -> Model:
    """A model from a nested dictionary. Raises SettingsError naming each key at fault."""
    try:
        return kind.model_validate(content)
    except ValidationError as fault:
        found = fault.errors()
        lines = [_told(kind, e["loc"], e["input"], e["type"], e["msg"]) for e in found]
        more = [f"  and {len(lines) - _MOST_SHOWN} more"] if len(lines) > _MOST_SHOWN else []
        shown = "\n".join(lines[:_MOST_SHOWN] + more)
        raise SettingsError(
            f"{where} cannot be used:\n{shown}\nMend these keys and run again."
        ) from None


def _told(
    kind: type[BaseModel], loc: tuple[int | str, ...], found: object, fault: str, words: str
) -> str:
    """One key at fault, what was found there, and what to write."""
    key = ".".join(map(str, loc))
    words = words.removeprefix("Value error, ")
    if not loc:
        return f"  {words}"
    if fault == "missing":
        return f"  {key} is missing: add it."
    if fault.startswith("date"):
        words = "write a date as 2027-04-01"
    elif "share" in str(loc[-1]) and fault == "less_than_equal":
        words = "write a share from 0 to 1: 0.6 means 60 %"
    hint = f"no key here{_near(kind, loc)}" if fault == "extra_forbidden" else words
    return f"  {key} = {_short(found)}: {hint}"


def _short(found: object) -> str:
    """What was found, in a few characters, however large or deep it is."""
    if isinstance(found, dict | list | tuple):
        return "a table" if isinstance(found, dict) else "a list"
    try:
        text = repr(found)
    except ValueError:  # a whole number of more digits than Python writes out
        return "a number of thousands of digits"
    return text if len(text) <= 60 else f"{text[:57]}..."


def _near(kind: type[BaseModel], loc: tuple[int | str, ...]) -> str:
    """The key most like one that the group does not know, as a hint; else the keys it knows."""
    group: Any = kind
    for name in loc[:-1]:
        field = group.model_fields.get(str(name))
        group = field.annotation if field else None
        if not (isinstance(group, type) and issubclass(group, BaseModel)):
            return ""
    likely = get_close_matches(str(loc[-1]), list(group.model_fields), n=1)
    return f" (like {likely[0]}?)" if likely else f": keys are {', '.join(group.model_fields)}"
