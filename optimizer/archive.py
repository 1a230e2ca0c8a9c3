"""One run, one folder: written whole or not at all, and checked when it is read again.

What a folder holds::

    spec.toml             the spec, byte for byte as it was read
    front.csv             one line per point of the front
    parts/point_001.csv   what to buy for point 1, and so on
    result.json           everything, for machines; above 2 MB packed as result.json.xz
    notes.md              what was assumed, filled, excluded and found
    hashes.sha256         one line per file above, as ``sha256sum --check`` reads it

``result.json`` (or, unpacked, ``result.json.xz``) is one object:

    schema    "partfront-run"
    version   whole number; a reader refuses a version it does not know
    written   date and time, UTC
    lanes     list of distinct lane tables (records.Lanes as plain lists)
    run       results.Run as plain data; ``verified.lanes`` of each point is an index into `lanes`

Numbers are SI, temperatures degrees Celsius, shares fractions, money in ``run.currency``; they
keep seven significant digits; what is not known or has no limit is null. Key pairs are joined
with " | " (``losses["inductor | core"]``). The field lists are those of `results`.
"""

from __future__ import annotations

import csv
import ctypes
import errno
import hashlib
import io
import json
import lzma
import os
import re
import shutil
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import Any

from optimizer.errors import InputError, Problem
from optimizer.report.notes import notes_text
from optimizer.report.summary import bill_rows, front_rows
from optimizer.results import PartSet

SCHEMA = "partfront-run"
VERSION = 1
HASHES = "hashes.sha256"
RESULT, PACKED = "result.json", "result.json.xz"
PACK_ABOVE_BYTES = 2_000_000
LIBRARIES = ("partfront", "highspy", "pyomo", "numpy", "scipy", "pandas")
LEFTOVER = ".part"
LEFTOVER_AGE_S = 3600.0
EXECUTED_FIRST = "=+-@\t\r\n'＝＋－＠"

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


# --- cells a spreadsheet must not execute --------------------------------------------------------


def neutral(cell: object) -> object:
    """A text cell that a spreadsheet would execute, behind an apostrophe; numbers unchanged.

    >>> neutral("=1+1"), neutral(-0.5), neutral("100 V")
    ("'=1+1", -0.5, '100 V')
    """
    if isinstance(cell, str) and cell.lstrip(" ")[:1] and cell.lstrip(" ")[0] in EXECUTED_FIRST:
        return f"'{cell}"
    return cell


def original(cell: str) -> str:
    """Undo `neutral` on a cell read back.

    >>> original(neutral("=1+1"))
    '=1+1'
    """
    return cell[1:] if cell.startswith("'") else cell


def csv_text(rows: Sequence[Mapping[str, object]]) -> str:
    """Rows as CSV with a header; text quoted and neutralised, missing values empty."""
    if not rows:
        return ""
    out = io.StringIO()
    writer = csv.writer(out, quoting=csv.QUOTE_NONNUMERIC, lineterminator="\n")
    writer.writerow(list(rows[0]))
    for row in rows:
        writer.writerow(["" if cell is None else neutral(cell) for cell in row.values()])
    return out.getvalue()


# --- the machine-readable result -----------------------------------------------------------------


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        return float(f"{value:.7g}") if value == value and abs(value) != float("inf") else None
    if isinstance(value, Mapping):
        return {str(key): _rounded(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(item) for item in value]
    return value


def _share_lanes(run: Plain) -> tuple[list[Any], dict[str, Any]]:
    """Lane tables once each, and the run with indices in their place."""
    tables: list[Any] = []
    points = []
    for point in run.get("points", ()):
        lanes = point["verified"]["lanes"]
        if lanes not in tables:
            tables.append(lanes)
        verified = {**point["verified"], "lanes": tables.index(lanes)}
        points.append({**point, "verified": verified})
    return tables, {**run, "points": points}


def result_text(run: Plain) -> str:
    """The text of ``result.json`` for a run of plain data."""
    tables, shared = _share_lanes(_rounded(run))
    whole = {
        "schema": SCHEMA,
        "version": VERSION,
        "written": datetime.now(UTC).isoformat(timespec="seconds"),
        "lanes": tables,
        "run": shared,
    }
    return json.dumps(whole, allow_nan=False, ensure_ascii=False, separators=(",", ":")) + "\n"


def _contents(run: Plain) -> Iterator[tuple[str, str]]:
    """Name and text of every file for people and spreadsheets."""
    yield "front.csv", csv_text(front_rows(run))
    for point in run.get("points", ()):
        yield f"parts/point_{point['number']:03d}.csv", csv_text(bill_rows(point, run))
    yield "notes.md", notes_text(run)


def _result_file(run: Plain) -> tuple[str, bytes]:
    data = result_text(run).encode("utf-8")
    return (
        (RESULT, data) if len(data) <= PACK_ABOVE_BYTES else (PACKED, lzma.compress(data, preset=1))
    )


# --- writing -------------------------------------------------------------------------------------


def _write_file(path: Path, data: bytes) -> None:
    path.parent.mkdir(exist_ok=True)
    with path.open("xb") as file:
        file.write(data)
        file.flush()
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


def check_replaceable(folder: Path) -> None:
    """Refuse to replace anything but a folder that holds a run and nothing else."""
    listed = {line.partition("  ")[2] for line in _hash_lines(folder)} | {HASHES}
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
    """Write one run whole as ``runs/name`` and return its folder.

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
    path = folder / (RESULT if (folder / RESULT).exists() else PACKED)
    try:
        data = path.read_bytes()
        whole = json.loads(lzma.decompress(data) if path.name == PACKED else data)
        known = (whole["schema"], whole["version"]) == (SCHEMA, VERSION)
    except (OSError, EOFError, lzma.LZMAError, ValueError, KeyError, TypeError):
        whole, known = {}, False
    if not known:
        got = f"schema {whole.get('schema')!r}, version {whole.get('version')!r}"
        fix = "read it with the version of partfront that wrote it, or run again"
        raise _problem(path, "", got, f"{SCHEMA!r}, version {VERSION}", fix)
    run: dict[str, Any] = whole["run"]
    for point in run["points"]:
        point["verified"]["lanes"] = whole["lanes"][point["verified"]["lanes"]]
    return run


def part_set_of(run: Plain, number: int, *, place: str) -> PartSet:
    """The part set of point `number` of a run that was read back."""
    for point in run["points"]:
        if point["number"] == number:
            plain = point["verified"]["part_set"]
            return PartSet(
                topology=plain["topology"],
                frequency=plain["frequency"],
                inductor=plain["inductor"],
                transistors={k: _pair(v) for k, v in plain["transistors"].items()},
                bank_input=tuple(_pair(v) for v in plain["bank_input"]),
                bank_output=tuple(_pair(v) for v in plain["bank_output"]),
                sense=_pair(plain["sense"]),
                bank_coupling=tuple(_pair(v) for v in plain.get("bank_coupling", ())),
            )
    need = f"a point from 1 to {len(run['points'])}"
    raise _problem(place, "--point", str(number), need, "look the number up in front.csv")


def _pair(plain: Sequence[Any]) -> tuple[str, int]:
    return str(plain[0]), int(plain[1])
