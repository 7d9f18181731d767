"""Which files a command may write, decided in one place, and writing them whole.

A command names all it will write and all it reads before it begins. What it reads, a ledger of
claims, and a file that a person made or changed are never written over: each folder keeps a record
of the digests of what was written there. Files are built beside their places, recorded, and only
then renamed, so that a reader sees the old one or the new one, and a command killed at any moment
leaves what the next one accepts.
"""

import errno
import hashlib
import os
import re
import shutil
import stat
import unicodedata
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from itertools import chain, combinations, count
from pathlib import Path

from pipeline import store as stores
from pipeline.errors import OutputError

RECORD = ".programme-files"
NOTE = ".programme-claims"
"""In the folder of a store: what its claims told of their ledger."""
LEDGER_NAMES = ("claims.sqlite", "claims.duckdb")
_TITLE = "# Digests of the files `programme` wrote here; it writes over no others.\n"
_RECORDED = re.compile(r"^(?:# by ([a-z]+)|([0-9a-f]{64})  (.+))$", re.MULTILINE)
PART = "programme-part"
"""Ending of half-built files, which nobody else gives."""
_BUILDING = re.compile(rf"(\..+\.(\d{{1,9}}))\.([0-9a-f]{{8}})\.{PART}(?:\.wal|\.tmp|-journal)?")
_RESERVED = re.compile(rf"\..+\.{PART}(?:\.wal|\.tmp|-journal)?")
_UNFIT = re.compile(r"[\x00-\x1f\x7f\ud800-\udfff]")

Reads = Mapping[str, Path | None]
"""Files a command reads, by what they are to it ("the stock list"); None where there is none."""


@contextmanager
def writing(
    by: str,
    files: Iterable[Path],
    reads: Reads,
    store: Path | None = None,
    grows: Path | None = None,
) -> Iterator["Outputs"]:
    """Check every file before the work begins; on leaving without error put all built in place.

    by: name of the command; what another command wrote it leaves alone.
    files: all that may be written, but for `store`, which may replace a store and nothing else.
    reads: all that the command reads. grows: the one file of a person's that it may add to, which
    must meanwhile stay as it was at the start.

    Raises OutputError before the work where a place is an input of the command, a ledger, no place
    for a file, two of the command's own files, or holds what this tool did not write or somebody
    changed since; afterwards where that came about meanwhile, or the disk refuses.
    """
    outputs = Outputs(by, [*files, *filter(None, (store, grows))], reads, store, grows)
    outputs.refuse()
    outputs.clear()
    try:
        yield outputs
        outputs.publish()
    finally:
        outputs.discard()


class Outputs:
    """The files one command writes, each built beside its place until all are."""

    def __init__(
        self, by: str, files: list[Path], reads: Reads, store: Path | None, grows: Path | None
    ) -> None:
        """Use `writing` instead."""
        self._by = by
        self._targets = [(path, _place(path)) for path in files]
        self._reads = reads
        self._store = _place(store) if store else None
        self._grows = _place(grows) if grows else None
        self._begun = _state(self._grows)
        self._built: dict[Path, Path] = {}
        self._folders: list[Path] = []
        self._stood: set[Path] = set()

    def building(self, path: Path) -> Path:
        """Where to build one of the files named at the start; its folder is made.

        Raises OutputError where there can be no folder.
        """
        place = dict(self._targets)[path]
        with _in_words(place.parent):
            for folder in reversed([place.parent, *place.parent.parents]):
                if not folder.exists():
                    folder.mkdir(exist_ok=True)
                    self._folders.append(folder)
        self._built[path] = half_built(place)
        return self._built[path]

    def add(self, path: Path, content: bytes) -> None:
        """Build one of the files named at the start. Raises OutputError where it cannot be."""
        building = self.building(path)
        with _in_words(path):
            building.write_bytes(content)

    def refuse(self) -> None:
        """Raise OutputError where one of the files must not or cannot be written."""
        self._stood = {place for _, place in self._targets if os.path.lexists(place)}
        for path, place in self._targets:
            why = _no_name(place, self._reads) or _no_place(place)
            if place == self._grows:
                why = why or _changed(place, self._begun)
            elif not why:
                why = _kept(place, place == self._store, self._by)
            if place == self._store and place.suffix.lower() != ".duckdb":
                why = why or "has no name of a store, which ends in .duckdb"
            if why:
                leads = "" if place.name == path.name else f" leads to {place}, which"
                raise OutputError(
                    f"{path}{leads} {why}. No file was written: name another place, or move away"
                    " what stands there."
                )
        for (path, place), (other, elsewhere) in combinations(self._targets, 2):
            if _clash(place, elsewhere):
                raise OutputError(
                    f"{path} and {other} would be one file, or one within the other. No file was"
                    " written: name different places."
                )

    def clear(self) -> None:
        """Remove what killed commands left half-built in the folders written to."""
        for folder in {place.parent for _, place in self._targets}:
            for left in folder.glob(f".*.{PART}*"):
                if is_left(left):
                    _remove(left)

    def publish(self) -> None:
        """Record what was built, then rename it. Raises OutputError where a place was taken."""
        self.refuse()
        places = dict(self._targets)
        digests: dict[Path, dict[str, str]] = defaultdict(dict)
        for path, building in self._built.items():
            with _in_words(path), building.open("rb+") as file:
                os.fsync(file.fileno())
            if places[path] != self._grows:  # that stays the person's: no command may replace it
                digests[building.parent][places[path].name] = _digest(building)
        for folder, of_names in digests.items():
            with _in_words(folder / RECORD):
                _record(folder, of_names, self._by)
        for path, building in self._built.items():
            with _in_words(path):
                _put(building, places[path], self._stood)

    def discard(self) -> None:
        """Remove what was built and not renamed, what DuckDB keeps beside it, and empty folders."""
        for building in self._built.values():
            for ending in ("", ".wal", ".tmp"):
                _remove(building.with_name(building.name + ending))
        for folder in reversed(self._folders):
            with suppress(OSError):  # it holds what was written
                folder.rmdir()


def half_built(place: Path) -> Path:
    """Where this process builds a file: beside its place, under a name that only this tool makes.

    The name carries a digest of itself, so that no file of a person's bears such a one by chance.
    """
    plain = f".{place.name}.{os.getpid()}"
    return place.with_name(f"{plain}.{_seal(plain)}.{PART}")


def is_left(path: Path) -> bool:
    """Whether a command that runs no more left a file half-built, or what DuckDB keeps beside."""
    found = _BUILDING.fullmatch(path.name)
    return bool(found and found[3] == _seal(found[1]) and not _is_running(int(found[2])))


def _seal(plain: str) -> str:
    return hashlib.sha256(plain.encode("utf-8", "surrogateescape")).hexdigest()[:8]


def free_place(path: Path, reads: Reads, by: str) -> Path:
    """The path, or where what stands there must be kept the next that is free: name-2, name-3."""
    numbered = (path.with_stem(f"{path.stem}-{number}") for number in count(2))
    for free in chain([path], numbered):
        place = _place(free)
        if not _read_as(place, reads) and not (place.is_file() and _kept(place, False, by)):
            break
    return free


def _place(path: Path) -> Path:
    """Where a path leads, links followed."""
    return Path(os.path.realpath(path))


def _folded(text: object) -> str:
    """A name as file systems compare it that heed neither case nor how accents are composed."""
    return unicodedata.normalize("NFC", str(text)).casefold()


def _clash(one: Path, other: Path) -> bool:
    """Whether two places are one, differ by case only, or one would be a folder of the other."""
    a, b = Path(_folded(one)), Path(_folded(other))
    return a == b or a in b.parents or b in a.parents


def _no_name(place: Path, reads: Reads) -> str:
    """Why a place or a folder to be made for it has a name that is taken; empty where none has."""
    missing = [folder for folder in place.parents if not os.path.lexists(folder)]
    whys = (_ill_named(spot.name) or _read_as(spot, reads) for spot in (place, *missing))
    return next(filter(None, whys), "")


def _ill_named(text: str) -> str:
    """Why no file may have a name, in words after it; empty where one may."""
    name = _folded(text)
    if name.startswith(LEDGER_NAMES):
        return "bears the name of a ledger of claims, which only a claim writes"
    if name in (RECORD, NOTE) or _RESERVED.fullmatch(name):
        return "bears a name this tool keeps for itself"
    if _UNFIT.search(name):
        return "has a name with characters that cannot be printed"
    if len(name.encode()) > 200:
        return "has too long a name"
    return ""


def _no_place(place: Path) -> str:
    """Why no file can stand at a place, in words after its name; empty where one can."""
    try:
        mode = place.lstat().st_mode
    except (FileNotFoundError, NotADirectoryError):
        mode = stat.S_IFREG
    except OSError as fault:
        return f"cannot be reached ({fault.strerror})"
    if not stat.S_ISREG(mode):
        other = "a device, a pipe or a link to itself"
        return f"is {'a folder' if stat.S_ISDIR(mode) else other}, no file"
    folder = next(parent for parent in place.parents if os.path.lexists(parent))
    if not folder.is_dir():
        return f"cannot be: {folder} is no folder"
    if not os.access(folder, os.W_OK | os.X_OK):
        return f"cannot be written: nothing may be written in {folder}"
    return ""


def _read_as(place: Path, reads: Reads) -> str:
    """What a place is to the command, in words after its name; empty where it is not read."""
    what = next((what for what, read in reads.items() if read and _same(place, read)), "")
    return what and f"is {what} of this command, or differs from it by upper and lower case only"


def _kept(place: Path, is_store: bool, by: str) -> str:
    """Why what stands at a place must be kept, in words after its name; empty where it need not."""
    try:
        return _claimed_by_others(place, is_store, by)
    except FileNotFoundError:
        return ""
    except OSError as fault:
        return f"cannot be read to see whose it is ({fault.strerror})"


def _claimed_by_others(place: Path, is_store: bool, by: str) -> str:
    """Why a file is not ours to replace, by what it holds and by the record of its folder."""
    with place.open("rb") as file:
        head = file.read(16)
    if head == b"SQLite format 3\0":
        return "is a database, as a ledger of claims is"
    is_database = head[8:12] == b"DUCK"
    if is_database != is_store:
        return "is a database" if is_database else "holds something else than a store"
    strange = stores.why_strange(place) if is_store else ""
    known = _recorded(place.parent).get(_folded(place.name), {})
    if is_store and not strange and not known:
        return ""  # a store brought here from elsewhere
    maker = known.get(_digest(place))
    if maker is not None:
        return "" if maker in ("", by) else f"was written by `programme {maker}`"
    if strange or known:
        return strange or "was changed since this tool wrote it"
    return f"was not written by this tool, as far as {RECORD} beside it tells"


def _state(place: Path | None) -> str:
    """What stands at a place, as far as a change would show; empty where nothing does."""
    return _digest(place) if place and place.is_file() else ""


def _changed(place: Path, begun: str) -> str:
    """Why a file that grows must be left, in words after its name; empty where it need not."""
    return "" if _state(place) == begun else "was changed while this command ran"


def _same(place: Path, read: Path) -> bool:
    """Whether a place is that of a file read, by its name or because both name one file."""
    try:
        if place.samefile(read):
            return True
    except OSError:
        pass
    return _folded(place) == _folded(_place(read))


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _recorded(folder: Path) -> dict[str, dict[str, str]]:
    """Digests this tool recorded in a folder, each with the command, by folded name.

    A torn line is passed over; earlier versions named no command.
    """
    try:
        text = (folder / RECORD).read_text(encoding="utf-8", errors="replace")
    except FileNotFoundError:
        return {}
    found: dict[str, dict[str, str]] = defaultdict(dict)
    by = ""
    for maker, digest, name in _RECORDED.findall(text):
        by = maker or by
        if digest:
            found[_folded(name)][digest] = by
    return found


def _record(folder: Path, digests: Mapping[str, str], by: str) -> None:
    """Add digests to a folder's record, in one write at its end, so that two commands may.

    Digests recorded before stand: until the new file is renamed into place the old one is there.
    """
    known = _recorded(folder)
    lines = [
        f"{digest}  {name}\n"
        for name, digest in digests.items()
        if known.get(_folded(name), {}).get(digest) != by
    ]
    if not lines:
        return
    with (folder / RECORD).open("ab+", buffering=0) as file:
        size = file.seek(0, os.SEEK_END)
        if size:
            file.seek(size - 1)
        start = "" if size and file.read(1) == b"\n" else "\n" if size else _TITLE
        content = "".join([start, f"# by {by}\n", *lines]).encode()
        if file.write(content) != len(content):
            file.truncate(size)
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        os.fsync(file.fileno())


def _put(building: Path, place: Path, stood: set[Path]) -> None:
    """Rename a built file to its place; what a person made there since the check stays.

    Between the check of a file that stood and its replacement lie some microseconds, in which a
    change would be lost: no system call compares and replaces.
    """
    if place not in stood:
        try:
            os.link(building, place)
        except FileExistsError:
            raise
        except OSError:  # a file system without links
            pass
        else:
            building.unlink()
            return
    building.replace(place)


def _is_running(process: int) -> bool:
    """Whether another process of this machine bears the number a half-built file names."""
    if process == os.getpid():
        return False
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


def _remove(left: Path) -> None:
    """Remove a half-built file, or the folder of DuckDB's spilled files; what resists stays."""
    try:
        if left.is_dir() and not left.is_symlink():
            shutil.rmtree(left, ignore_errors=True)
        else:
            left.unlink(missing_ok=True)
    except OSError:
        return


@contextmanager
def _in_words(path: Path) -> Iterator[None]:
    """Turn what the disk refuses into an OutputError."""
    try:
        yield
    except OSError as fault:
        raise OutputError(
            f"{path} could not be written ({fault.strerror or fault}). Free the place, close the"
            " file where it is open, or name another place."
        ) from None
