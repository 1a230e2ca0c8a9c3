"""A run folder opened again with its spec and the catalogs it was found from."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from optimizer.archive import hash_inputs, read_run
from optimizer.catalog import Catalog
from optimizer.errors import InputError, Problem
from optimizer.records import Note
from optimizer.spec import parse_spec
from optimizer.spec_records import Spec

SPEC = "spec.toml"


@dataclass(frozen=True, slots=True)
class Reopened:
    """A finished run and what it was asked with.

    run : `results.Run` as plain data; spec : as its own file says, catalogs found again
    """

    folder: Path
    run: Mapping[str, Any]
    spec: Spec

    def same_catalogs(self, hashes: Mapping[str, str]) -> bool:
        """Whether catalogs read now hold the bytes that the run was found from."""
        return catalog_hashes(self.run["hashes"]) == catalog_hashes(hashes)


def catalog_hashes(hashes: Mapping[str, str]) -> tuple[str, ...]:
    """Contents of the catalogs among some inputs, wherever they lie."""
    return tuple(sorted(value for path, value in hashes.items() if not path.endswith(".toml")))


def input_hashes(spec: Spec, catalog: Catalog) -> dict[str, str]:
    """SHA-256 of the spec and the catalogs as they were read, by path."""
    return hash_inputs([Path(spec.path)] if spec.path else []) | dict(catalog.hashes)


def changed_inputs(made: Mapping[str, str], now: Mapping[str, str]) -> list[Note]:
    """A finding where inputs are not those a run was made from.

    made : hashes the run keeps, empty for none; now : of what is read now
    """
    other = [Path(path).name for path, value in now.items() if value not in made.values()]
    if not made or not other:
        return []
    text = f"not as the run read it: {', '.join(other)}; the point is judged by what it says now"
    return [Note("finding", "inputs", text, "run")]


def reopen(folder: Path, catalogs: Sequence[Path] = ()) -> Reopened:
    """The run of a folder with its spec.

    catalogs : files or folders to read in place of those the spec names

    Relative catalogs are looked for from where the spec stood, then beside the run folder and one
    above it; where the spec is not found, the files the run lists are taken.
    """
    run = read_run(folder)
    text = (folder / SPEC).read_bytes().decode("utf-8-sig")
    place = str(folder / SPEC)
    if catalogs:
        return Reopened(folder, run, parse_spec(text, path=place, catalogs=catalogs))
    first: InputError | None = None
    for root in _roots(folder, run["hashes"]):
        try:
            return Reopened(folder, run, parse_spec(text, path=str(root / f"{folder.name}.toml")))
        except InputError as error:
            first = first or error
    listed = [Path(path) for path in run["hashes"] if not path.endswith(".toml")]
    if listed and all(path.is_file() for path in listed):
        return Reopened(folder, run, parse_spec(text, path=place, catalogs=listed))
    fix = "name them with --catalogs"
    problem = Problem(place, "catalogs", "no longer found", "the catalogs of the run", fix)
    raise InputError([problem, *(first.problems if first else ())])


def _roots(folder: Path, hashes: Mapping[str, str]) -> Iterator[Path]:
    for path in hashes:
        if path.endswith(".toml"):
            yield Path(path).parent
    here = folder.resolve()
    yield from (here.parent, here.parent.parent)
