"""A sweep as written, `name=first:last:step`: read, and refused in words before anything is run."""

import re
from difflib import get_close_matches
from typing import Any, Literal, get_args, get_origin

from pydantic import BaseModel

from pipeline.errors import SettingsError
from pipeline.settings import Settings, build

THICKNESS = "thickness_mm"
_MOST_STEPS = 200
_MOST_MM = 500.0
_NUMBER = r"\s*([-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]{1,2})?)\s*"
_SHAPE = re.compile(rf"([^=:]+)={_NUMBER}:{_NUMBER}:{_NUMBER}")
_FORM = "Write it as name=first:last:step, for instance thickness_mm=20:200:10."


def parse_sweep(text: str) -> tuple[str, list[float]]:
    """Name and values of `name=first:last:step`, from the first in steps up to the last.

    Raises SettingsError for another form, a step not above 0, a last value below the first, or
    more than 200 values.
    """
    found = _SHAPE.fullmatch(text.strip())
    if not found:
        raise SettingsError(f"--sweep '{text}' is not a sweep. {_FORM}")
    first, last, step = (float(part) for part in found.groups()[1:])
    if step <= 0.0:
        raise SettingsError(f"--sweep '{text}' has the step {step:g}: it must be above 0. {_FORM}")
    if last < first:
        raise SettingsError(
            f"--sweep '{text}' runs backwards: begin with the smaller,"
            f" {found[1].strip()}={last:g}:{first:g}:{step:g}."
        )
    steps = (last - first) / step + 1.0
    if steps >= _MOST_STEPS + 1:
        many = f"{steps:,.0f}" if steps < 1e6 else "over a million"
        raise SettingsError(
            f"--sweep '{text}' has {many} values, the most is {_MOST_STEPS}: take a longer step."
        )
    count = int(steps + 1e-9)
    return found[1].strip(), [round(first + i * step, 9) for i in range(count)]


def with_setting(settings: Settings, key: str, value: object) -> Settings:
    """Settings with one dotted key replaced. Raises SettingsError for an unknown key."""
    content = settings.model_dump(mode="json")
    *groups, name = key.split(".")
    place = content
    for group in groups:
        if not isinstance(place.get(group), dict):
            raise SettingsError(_unknown(key))
        place = place[group]
    place[name] = value
    return build(content, f"setting {key}")


def swept(settings: Settings, key: str, values: list[float]) -> list[tuple[float, Settings]]:
    """Each value as the settings hold it, with the settings that do.

    Raises SettingsError for a key that is none or holds no number, and for the first value that
    the setting may not have.
    """
    held = _held(key)
    if held is None:
        raise SettingsError(_unknown(key))
    if why := _not_a_number(held):
        raise SettingsError(
            f"'{key}' {why}: it cannot be swept. Set it in the settings file and compare two runs"
            " with `programme changes`."
        )
    changed = [with_setting(settings, key, value) for value in values]
    return [(_value(each, key), each) for each in changed]


def _value(settings: Settings, key: str) -> float:
    """The number under a dotted key; an int where the setting counts whole ones."""
    found: Any = settings.model_dump(mode="json")
    for name in key.split("."):
        found = found[name]
    return found  # type: ignore[no-any-return]


def check_thicknesses(values: list[float]) -> None:
    """Raise SettingsError for a thickness that no board has."""
    if min(values) <= 0.0 or max(values) > _MOST_MM:
        raise SettingsError(f"{THICKNESS} must lie above 0 and not above {_MOST_MM:g} mm.")


def _held(key: str) -> Any:
    """What the settings hold under a dotted key, as a type; None for a key they do not know."""
    held: Any = Settings
    for name in key.split("."):
        if isinstance(held, type) and issubclass(held, BaseModel):
            field = held.model_fields.get(name)
            held = field.annotation if field else None
        elif get_origin(held) is dict:
            names, inside = get_args(held)
            held = inside if name in (get_args(names) or (name,)) else None
        elif get_origin(held) is not tuple:  # what lies in a list is told as the list
            held = None
    return held


def _not_a_number(held: Any) -> str:
    """What a setting holds, in words; empty where it is a number."""
    plain = get_args(held)[0] if hasattr(held, "__metadata__") else held
    if plain in (int, float):
        return ""
    if get_origin(plain) is Literal:
        return f"can only be {' or '.join(map(str, get_args(plain)))}"
    if plain is bool:
        return "is true or false"
    if get_origin(plain) is dict or (isinstance(plain, type) and issubclass(plain, BaseModel)):
        return "is a group of settings"
    if plain is str:
        return "is text"
    return "is a list" if get_origin(plain) is tuple else "is a date"


def _numbers(kind: type[BaseModel] = Settings, before: str = "") -> list[str]:
    """Every dotted key under which the settings hold a number, and those of known names."""
    found = []
    for name, field in kind.model_fields.items():
        held: Any = field.annotation
        if isinstance(held, type) and issubclass(held, BaseModel):
            found += _numbers(held, f"{before}{name}.")
        elif get_origin(held) is dict and not _not_a_number(get_args(held)[1]):
            names = get_args(get_args(held)[0]) or ("mains_gas", "electricity")
            found += [f"{before}{name}.{each}" for each in names]
        elif not _not_a_number(held):
            found.append(f"{before}{name}")
    return found


def _unknown(key: str) -> str:
    """That a key is no setting, with the nearest that is one."""
    known = [THICKNESS, *_numbers()]
    by_last = {name.rsplit(".", 1)[-1]: name for name in reversed(known)}
    near = [
        *get_close_matches(key, known, n=1),
        *(by_last[name] for name in get_close_matches(key.rsplit(".", 1)[-1], list(by_last), n=1)),
    ]
    hint = f"Did you mean {near[0]}?" if near else f"Settings with numbers: {', '.join(known)}."
    return f"'{key}' is no setting. {hint}"
