"""One run, one folder: written whole or not at all, and checked when it is read again.

What a folder holds::

    spec.toml             the spec, byte for byte as it was read
    front.csv             one line per point of the front
    parts/point_001.csv   what to buy for point 1, and so on
    result.json           everything, for machines; above 2 MB packed as result.json.xz
    notes.md              what was assumed, filled, excluded and found
    samples.csv           what to order to build a few boards of the marked points
    summary.txt           the run in plain text, for a mail
    hashes.sha256         one line per file above, as ``sha256sum --check`` reads it

Beside them may lie ``page.html``: it is made from the others at any time, so it is not in the
hashes. The schema of ``result.json`` stands in `archive_result`.
"""

from __future__ import annotations

import ctypes
import errno
import hashlib
import json
import lzma
import os
import re
import shutil
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from importlib import metadata
from pathlib import Path
from typing import Any

from optimizer import archive_result
from optimizer.errors import InputError, Problem
from optimizer.report.cells import csv_text
from optimizer.report.lists import sample_rows
from optimizer.report.mail import mail_text
from optimizer.report.notes import notes_text
from optimizer.report.page import page_text
from optimizer.report.summary import bill_rows, front_rows
from optimizer.results import PartSet, part_set_of_plain

HASHES = "hashes.sha256"
PAGE = "page.html"
RESULT, PACKED = "result.json", "result.json.xz"
PACK_ABOVE_BYTES = 2_000_000
LIBRARIES = ("partfront", "highspy", "pyomo", "numpy", "pandas")
LEFTOVER = ".part"
LEFTOVER_AGE_S = 3600.0

Plain = Mapping[str, Any]


# --- what a run is known by ----------------------------------------------------------------------


def file_hash(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def hash_inputs(paths: Iterable[Path]) -> dict[str, str]:
    """SHA-256 of every input file by its path as given, sorted."""
    return {str(path): file_hash(path) for path in sorted(set(paths))}


def versions() -> dict[str, str]:
    """Versions of this tool, its solver and the libraries that touch numbers."""
    found = {"python": sys.version.split()[0]}
    for name in LIBRARIES:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            found[name] = "not installed as a package"
    return found


# --- contents ---------------------------------------------------------------------------------


def _contents(run: Plain) -> Iterator[tuple[str, str]]:
    """Name and text of every file for people and spreadsheets."""
    yield "front.csv", csv_text(front_rows(run))
    for point in run.get("points", ()):
        yield f"parts/point_{point['number']:03d}.csv", csv_text(bill_rows(point, run))
    samples = sample_rows(run)
    if samples:
        yield "samples.csv", csv_text(samples)
    yield "summary.txt", mail_text(run)
    yield "notes.md", notes_text(run)


def _result_file(run: Plain) -> tuple[str, bytes]:
    data = archive_result.result_text(run).encode("utf-8")
    return (
        (RESULT, data) if len(data) <= PACK_ABOVE_BYTES else (PACKED, lzma.compress(data, preset=1))
    )


# --- writing -------------------------------------------------------------------------------------


SYNCED_AT_ONCE = 16
"""Files that wait for the disk at the same time."""


def _write_file(path: Path, data: bytes) -> None:
    path.parent.mkdir(exist_ok=True)
    with path.open("xb") as file:
        file.write(data)


def _sync_file(path: Path) -> None:
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as trouble:  # some network file systems cannot sync a folder
        if trouble.errno not in (errno.EINVAL, errno.ENOTSUP):
            raise
    finally:
        os.close(handle)


def _fill(folder: Path, run: Plain, spec: bytes) -> None:
    lines = []
    texts = ((name, text.encode("utf-8")) for name, text in _contents(run))
    files = [("spec.toml", spec), *texts, _result_file(run)]
    for name, data in files:
        _write_file(folder / name, data)
        lines.append(f"{hashlib.sha256(data).hexdigest()}  {name}\n")
    _write_file(folder / HASHES, "".join(sorted(lines, key=lambda x: x[66:])).encode("utf-8"))
    with ThreadPoolExecutor(SYNCED_AT_ONCE) as pool:  # hundreds of files wait for the disk together
        list(pool.map(_sync_file, [path for path in folder.rglob("*") if path.is_file()]))
    for inner in (*(p for p in folder.iterdir() if p.is_dir()), folder):
        _sync_folder(inner)


def _sweep(runs: Path) -> None:
    """Remove what killed runs left behind, once it is too old to be still in the making."""
    for folder in runs.glob(f".*{LEFTOVER}"):
        if time.time() - folder.stat().st_mtime > LEFTOVER_AGE_S:
            shutil.rmtree(folder, ignore_errors=True)


def _exchange(one: Path, other: Path) -> None:
    """Swap two folders in one step where the system can, else in two that lose nothing."""
    swap_flag, here = 2, -100  # RENAME_EXCHANGE, AT_FDCWD of Linux
    try:
        call = ctypes.CDLL(None, use_errno=True).renameat2
    except (AttributeError, OSError, TypeError):
        call = None
    if call and call(here, os.fsencode(one), here, os.fsencode(other), swap_flag) == 0:
        return
    aside = other.with_name(f"{other.name}.before")
    other.rename(aside)
    one.rename(other)
    aside.rename(one)


def _problem(place: Path | str, name: str, got: str, need: str, fix: str) -> InputError:
    return InputError([Problem(str(place), name, got, need, fix)])


def check_name(name: str) -> None:
    """Refuse a run name that would leave the runs folder or hide there."""
    if not re.fullmatch(r"\w[\w.-]{0,79}", name):
        need = "letters, digits, '-', '_' and '.', not starting with '.' or '-', at most 80"
        raise _problem("--name", "", repr(name), need, "choose another run name")


def check_place(runs: Path) -> None:
    """Refuse a folder in which no run folder can be made, before a search is spent on it."""
    present = next(path for path in (runs, *runs.parents) if path.exists())
    try:
        Path(tempfile.mkdtemp(prefix=".", suffix=LEFTOVER, dir=present)).rmdir()
    except OSError as trouble:
        need, fix = "a folder that can be written to", "choose another folder with --runs"
        got = trouble.strerror or str(trouble)
        raise _problem(present, "--runs", got.lower(), need, fix) from None


def check_replaceable(folder: Path) -> None:
    """Refuse to replace anything but a folder that holds a run and nothing else."""
    listed = {line.partition("  ")[2] for line in _hash_lines(folder)} | {HASHES, PAGE}
    strange = sorted(
        str(path.relative_to(folder))
        for path in folder.rglob("*")
        if not path.is_dir() and path.relative_to(folder).as_posix() not in listed
    )
    if strange:
        got = f"files that no run wrote ({', '.join(strange[:3])})"
        fix = "move them elsewhere or choose another name with --name"
        raise _problem(folder, "--replace", got, "a folder with a run only", fix)


def _publish(fresh: Path, target: Path, replace: bool) -> Path:
    if replace and target.exists():
        check_replaceable(target)
        _exchange(fresh, target)
        _sync_folder(target.parent)
        shutil.rmtree(fresh, ignore_errors=True)
        return target
    number, place = 1, target
    while True:
        if not (place.exists() or place.is_symlink()):
            try:
                fresh.rename(place)
            except OSError as trouble:
                if trouble.errno not in (errno.EEXIST, errno.ENOTEMPTY, errno.ENOTDIR):
                    raise
            else:
                _sync_folder(place.parent)
                return place
        number += 1
        place = target.with_name(f"{target.name}-{number}")


def write_run(runs: Path, name: str, run: Plain, *, spec: bytes, replace: bool = False) -> Path:
    """Write what is kept of a run, see `write_kept`."""
    return write_kept(runs, name, archive_result.kept(run), spec=spec, replace=replace)


def write_kept(runs: Path, name: str, run: Plain, *, spec: bytes, replace: bool = False) -> Path:
    """Write one run whole as ``runs/name`` and return its folder.

    run : what the archive keeps of it, see `archive_result.kept`

    An older result of that name stays: the new one gets the next free number (``name-2``). With
    `replace` the two are swapped once the new one is complete, and the old one is then removed.
    A run killed while writing leaves a hidden folder that a later run clears away.
    """
    check_name(name)
    runs.mkdir(parents=True, exist_ok=True)
    if replace and (runs / name).exists():
        check_replaceable(runs / name)
    _sweep(runs)
    fresh = Path(tempfile.mkdtemp(prefix=f".{name}-", suffix=LEFTOVER, dir=runs))
    try:
        fresh.chmod(0o755)
        _fill(fresh, run, spec)
        return _publish(fresh, runs / name, replace)
    except BaseException:
        shutil.rmtree(fresh, ignore_errors=True)
        raise


# --- reading -------------------------------------------------------------------------------------


def _hash_lines(folder: Path) -> list[str]:
    try:
        return (folder / HASHES).read_text("utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        need = f"a run folder with {HASHES}"
        raise _problem(folder, "", "no run", need, "name a folder that `front` wrote") from None


def _changed(folder: Path) -> Iterator[Problem]:
    for line in _hash_lines(folder):
        known, _, name = line.partition("  ")
        path = folder / name
        if not path.is_file():
            yield Problem(str(path), "", "no file", "the file of the run", "restore it")
        elif file_hash(path) != known:
            need = f"the contents recorded in {HASHES}"
            yield Problem(str(path), "", "changed contents", need, "restore it or run again")


def read_run(folder: Path) -> dict[str, Any]:
    """The run of a folder as plain data, after its version and all hashes are checked."""
    problems = list(_changed(folder))
    if problems:
        raise InputError(problems)
    path = result_path(folder)
    try:
        data = path.read_bytes()
        whole = json.loads(lzma.decompress(data) if path.name == PACKED else data)
    except (OSError, EOFError, lzma.LZMAError, ValueError):
        whole = {}
    if not archive_result.is_known(whole):
        seen = whole if isinstance(whole, dict) else {}
        got = f"schema {seen.get('schema')!r}, version {seen.get('version')!r}"
        fix = "read it with the version of partfront that wrote it, or run again"
        known = " or ".join(str(number) for number in archive_result.READ)
        raise _problem(path, "", got, f"{archive_result.SCHEMA!r}, version {known}", fix)
    return archive_result.restored(whole)


def result_path(folder: Path) -> Path:
    """The result of a run, plain or packed."""
    return folder / (RESULT if (folder / RESULT).exists() else PACKED)


def write_page(
    folder: Path, target: Path | None = None, *, run: Plain | None = None, data: str | None = None
) -> Path:
    """Make the page of an archived run, as ``page.html`` beside it or at `target`.

    run : what `read_run` would give, where it is known already
    data : what the page draws, packed, where it is made already
    """
    run, place = read_run(folder) if run is None else run, target or folder / PAGE
    result_hash = file_hash(result_path(folder))
    text = page_text(run, folder=folder.name, result_hash=result_hash, data=data)
    fresh = place.with_name(f".{place.name}{LEFTOVER}")
    try:
        fresh.write_bytes(text.encode("utf-8"))
        fresh.replace(place)
    finally:
        fresh.unlink(missing_ok=True)
    return place


def part_set_of(run: Plain, number: int, *, place: str) -> PartSet:
    """The part set of point `number` of a run that was read back."""
    for point in run["points"]:
        if point["number"] == number:
            return board_of(point)
    need = f"a point from 1 to {len(run['points'])}"
    raise _problem(place, "--point", str(number), need, "look the number up in front.csv")


def board_of(point: Plain) -> PartSet:
    """The part set of a point that was read back."""
    return part_set_of_plain(point["verified"]["part_set"])


def point_of(run: Plain, number: int | None, *, place: str) -> Plain:
    """Point `number` of a run, or without a number its knee, else its first one."""
    points: Sequence[Plain] = run["points"]
    if number is None:
        return next((one for one in points if one["mark"] == "knee"), points[0])
    part_set_of(run, number, place=place)
    return next(one for one in points if one["number"] == number)
