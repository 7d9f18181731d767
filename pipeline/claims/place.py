"""Where the ledger of a store lies, and whether that place can be believed.

A ledger begun beside the true one, or while its drive is not connected, would let homes be claimed
twice. So a store keeps where it was published and which claims its run saw, the folders of a store
and of its ledger which were made from there, and each claim where its ledger lay; whoever asks for
a ledger that does not agree is stopped.
"""

import json
import os
import re
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any, NamedTuple

from pipeline.claims.ledger import OLDER, content, is_ledger
from pipeline.errors import ClaimError
from pipeline.outputs import NOTE, PART, half_built, is_left
from pipeline.published import remembered, settings_of
from pipeline.settings import Settings

LEDGER = "claims.sqlite"
_BEGINNING = b'{"lies": "'
"""Every note begins with it, so that one left half-written is told from a person's file."""
_VARIABLE = re.compile(r"\$\w|\$\{|%\w+%")
_NEEDED = "One landlord has one ledger, else homes are claimed twice."


class _Known(NamedTuple):
    """What a store, or a folder, tells of a ledger: as its settings name it from there, and claims.

    lay: where a note says that it lay when the note was written.
    """

    ledger: Path
    claims: frozenset[str]
    told_by: Path
    lay: Path | None = None


def ledger_path(store: Path, chosen: Settings | None = None) -> Path:
    """The one ledger of a store: as its settings say, else beside the store itself.

    chosen: the settings, where they are known already; those of a run that is to replace the store.
    Raises ClaimError where the ledger's folder is missing, where another ledger lies near, and
    where a store or a folder knows of another ledger or of claims that this one lacks: claims
    would be split.
    """
    settings = chosen or settings_of(store)
    place = named_ledger(store, settings)
    _refuse_missing(place, store, settings)
    made = remembered(store)
    held, lay = content(place) if os.path.lexists(place) else (frozenset[str](), None)
    for other in _beside(place, store):
        _refuse_another(place, held, other)
    if first := _where_published(place, store, made):
        raise ClaimError(
            f"Two ledgers: the claims of this store belong in {place}, and there is {first} too,"
            f" where it was published. {_NEEDED} Write [claims] ledger = '{first}' into the"
            " settings and run again with --settings."
        )
    own = _Known(place, frozenset(), place, lay)
    for known in (own, *_known(store, made, place)):
        _refuse_change(place, held, known)
    return place


def named_ledger(store: Path, settings: Settings) -> Path:
    """Where the ledger of a store with such settings is to lie, wherever it leads.

    Links are followed to the store, so that one store has one ledger. Raises ClaimError where the
    name has a variable in it.
    """
    return Path(os.path.realpath(_named(store, settings.claims.ledger)))


def is_begun(ledger: Path) -> bool:
    """Whether there is a ledger, or one of an earlier version that it takes over."""
    return os.path.lexists(ledger) or ledger.with_name(OLDER).exists()


def claims_of(ledger: Path) -> frozenset[str]:
    """Numbers of the claims a ledger holds; none where there is none. Raises as Ledger does."""
    return content(ledger)[0] if os.path.lexists(ledger) else frozenset()


def copies(store: Path, chosen: Settings | None = None) -> list[Path]:
    """Copies of a store's ledger that lie beside it and hold no other claims."""
    return list(_beside(ledger_path(store, chosen), store))


def note(store: Path, settings: Settings, ledger: Path) -> None:
    """Keep in the folders of the store and of its ledger where that lies and what it holds.

    The claim stands by then, so nothing is told where a note cannot be kept.
    """
    with suppress(ClaimError):
        told = {"lies": str(ledger), "claims": sorted(claims_of(ledger))}
        _keep(ledger.with_name(NOTE), {**told, "ledger": str(ledger)})
        _keep(_real(store).with_name(NOTE), {**told, "ledger": settings.claims.ledger})


def _keep(place: Path, told: dict[str, Any]) -> None:
    for left in place.parent.glob(f".{place.name}.*.{PART}"):
        with suppress(OSError):
            if is_left(left) and _BEGINNING.startswith(left.read_bytes()[: len(_BEGINNING)]):
                left.unlink()
    building = half_built(place)
    with suppress(OSError):
        building.write_text(json.dumps(told) + "\n", encoding="utf-8")
        building.replace(place)


def _real(store: Path) -> Path:
    return Path(os.path.realpath(store))


def _named(store: Path, said: str) -> Path:
    """The place as the settings name it. Raises ClaimError for a variable, which is not read."""
    if _VARIABLE.search(said):
        raise ClaimError(
            f"[claims] ledger = '{said}': variables are not read there, as they differ from one"
            " person to the next. Write the path itself; only ~ stands for your own folder."
        )
    return _real(store).parent / os.path.expanduser(said or LEDGER)


def _refuse_missing(place: Path, store: Path, settings: Settings) -> None:
    """Raise ClaimError where the way to the ledger leads to nothing: a drive not connected."""
    if place.parent != _real(store).parent and not place.parent.is_dir():
        raise ClaimError(
            f"The ledger of claims is to lie in {place.parent}, and there is no such folder."
            " Connect the drive; make the folder if no claim was ever made; or name another place"
            " under [claims] ledger and run again."
        )
    named = _named(store, settings.claims.ledger)
    if named.is_symlink() and not os.path.lexists(place):
        raise ClaimError(
            f"The ledger {named} is a link to {place}, and there is nothing. Connect the drive or"
            " put the ledger back; remove the link only if no claim was ever made."
        )


def _beside(place: Path, store: Path) -> Iterator[Path]:
    """Ledgers beside the store, beside a link to it, and beside its ledger, of whatever name."""
    linked_from = Path(os.path.realpath(os.path.dirname(os.path.abspath(store))))
    for folder in sorted({_real(store).parent, linked_from, place.parent}):
        for near in sorted(folder.iterdir()) if folder.is_dir() else ():
            taken_over = near == place.with_name(OLDER) and not os.path.lexists(place)
            if not taken_over and not _is(near, place) and _is_ledger(near):
                yield near


def _refuse_another(place: Path, held: frozenset[str], other: Path) -> None:
    """Raise ClaimError where a ledger beside the one in use holds claims that this one lacks."""
    two = f"Two ledgers: the claims of this store belong in {place}, and there is {other} too"
    try:
        found = claims_of(other)
    except ClaimError as fault:
        raise ClaimError(
            f"{two}, which cannot be read: {fault} If {place} is the one in use, move {other} into"
            " another folder."
        ) from None
    if not found - held:
        return
    if not is_begun(place):
        way = (
            f"There is none at {place}. Write [claims] ledger = '{other}' into the settings and"
            f" run again with --settings, or move {other} to {place}."
        )
    elif held <= found:
        way = (
            f"It holds every claim of the first, and {_some(found - held)} besides, so it is the"
            f" newer one: move {place} into another folder, then {other} to {place}."
        )
    else:
        way = (
            f"Each holds claims that the other lacks: {_some(found - held)} are in {other.name}"
            " alone. This version joins no two, and all of them stand. Only if those never"
            f" counted, or are another landlord's, move {other} into another folder."
        )
    raise ClaimError(f"{two}. {way} {_NEEDED}")


def _some(claims: frozenset[str]) -> str:
    more = f" and {len(claims) - 5} more" if len(claims) > 5 else ""
    return ", ".join(sorted(claims)[:5]) + more


def _where_published(place: Path, store: Path, made: dict[str, Any]) -> Path | None:
    """The ledger where a store was published, if it was copied from there and that is another."""
    published = Path(made.get("published_as") or _real(store))
    if published.parent == _real(store).parent:
        return None
    first = Path(os.path.realpath(_named(published, _said(made))))
    return first if first != place and is_begun(first) else None


def _is(near: Path, place: Path) -> bool:
    """Whether a path is that of the ledger, or leads to it."""
    return os.path.realpath(near) == str(place) or (place.exists() and _same(near, place))


def _same(near: Path, place: Path) -> bool:
    try:
        return near.samefile(place)
    except OSError:
        return False


def _is_ledger(path: Path) -> bool:
    """Whether a file is a ledger by its name or by its head; one nobody may read is not known."""
    if path.name in (LEDGER, OLDER):
        return True
    try:
        if path.name.endswith(PART) or not path.is_file():
            return False
        with path.open("rb") as file:
            return is_ledger(file.read(72))
    except OSError:
        return False


def _said(made: dict[str, Any]) -> str:
    """What the settings of a store call its ledger; empty where they say nothing of it."""
    try:
        account = json.loads(made["account"])
        return str(account["settings"].get("claims", {}).get("ledger", ""))
    except (ValueError, KeyError, TypeError, AttributeError):
        return ""


def _known(store: Path, made: dict[str, Any], place: Path) -> Iterator[_Known]:
    """What the store knows of its ledger, what the store's folder does, and what the ledger's."""
    if made:
        seen = frozenset(str(made.get("claims_seen") or "").split())
        yield _Known(Path(os.path.realpath(_named(store, _said(made)))), seen, store)
    for noted in sorted({_real(store).with_name(NOTE), place.with_name(NOTE)}):
        if noted.is_file():
            yield _noted(noted, store, place)


def _noted(noted: Path, store: Path, place: Path) -> _Known:
    """What a folder's note tells. Raises ClaimError where it cannot be read."""
    try:
        told = json.loads(noted.read_text(encoding="utf-8"))
        claims, said = frozenset(map(str, told["claims"])), str(told["ledger"])
        lay = Path(str(told["lies"]))
    except (ValueError, KeyError, TypeError) as fault:
        raise ClaimError(
            f"{noted}, which tells which claims were made here, cannot be read ({fault})."
            " Take it from your backup, or remove it once you see that the ledger is whole."
        ) from None
    beside = noted.parent == _real(store).parent
    ledger = Path(os.path.realpath(_named(store, said))) if beside else place
    return _Known(ledger, claims, noted, lay)


def _refuse_change(place: Path, held: frozenset[str], known: _Known) -> None:
    """Raise ClaimError where a ledger is not the one known, nor that one moved, or lacks claims."""
    stays = is_begun(known.ledger) or not known.ledger.parent.is_dir()
    if known.ledger != place and stays:
        raise ClaimError(
            f"{known.told_by} keeps its claims in {known.ledger}, and the settings now say {place}."
            f" {_NEEDED} Give --settings with [claims] ledger as before, or move that ledger to"
            f" {place}; only if no claim was ever made, remove {known.told_by}."
        )
    if known.lay and not _is(known.lay, place) and is_begun(known.lay):
        raise ClaimError(
            f"{place} is a copy: {known.told_by} says that the claims were kept in {known.lay}, and"
            f" that ledger is still there. {_NEEDED} Name it under [claims] ledger and run again;"
            f" or, if the copy is to be the one ledger, move {known.lay} away."
        )
    if lost := known.claims - held:
        now = f"The ledger {place} holds {len(held):,} claims" if is_begun(place) else (
            f"No ledger is at {place}"
        )  # fmt: skip
        raise ClaimError(
            f"Claims are missing: {known.told_by} tells of {_some(lost)}. {now}, and not these: it"
            " was removed, comes from an older backup, or is another one. Put the right one back,"
            " or connect its drive. Only if those claims never counted, remove"
            f" {known.told_by}, then"
            " run again."
        )


def refuse_to_begin(store: Path) -> None:
    """Raise ClaimError where there is no ledger yet: who claims first should say so."""
    place = ledger_path(store)
    if not is_begun(place):
        raise ClaimError(
            f"There is no ledger of claims at {place}. If claims were made before, it is the wrong"
            " place: look for the ledger that holds them, and name it under [claims] ledger, else"
            " homes may be claimed twice. If none was ever made, add --first-claim. Nothing was"
            " recorded."
        )
