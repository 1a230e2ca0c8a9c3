"""The inputs of `difference`: two run folders with what they were found from, or two catalogs."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimizer.errors import InputError

if TYPE_CHECKING:
    from optimizer.studies.answer import Answer
    from optimizer.studies.difference import Side


def difference_of(args: argparse.Namespace) -> Answer:
    """What changed between two runs or two catalogs."""
    from optimizer.archive import HASHES
    from optimizer.catalog import read_catalog
    from optimizer.studies.difference import difference
    from optimizer.studies.revisions import difference_of_catalogs

    if not any((path / HASHES).exists() for path in (args.old, args.new)):
        return difference_of_catalogs(read_catalog([args.old]), read_catalog([args.new]))
    old = side_of(args.old, args.spec, args.catalogs_old or ())
    return difference(old, side_of(args.new, args.spec, args.catalogs_new or ()))


def side_of(folder: Path, spec: Path | None, catalogs: Sequence[Path]) -> Side:
    """A run with its spec and catalogs, as far as they are still what they were.

    spec : where the spec stood, for catalogs named from there; catalogs : read in their place
    """
    from optimizer.archive import read_run
    from optimizer.catalog import read_catalog
    from optimizer.spec import parse_spec
    from optimizer.studies.difference import Side

    run = read_run(folder)
    text = (folder / "spec.toml").read_bytes().decode("utf-8-sig")
    place = str(spec or _stood(run) or folder / "spec.toml")
    listed = [Path(path) for path in run["hashes"] if not path.endswith(".toml")]
    try:
        parsed = parse_spec(text, path=place)
        catalog = read_catalog(catalogs or listed or parsed.catalogs)
    except InputError as error:
        lacks = f"the inputs of {folder} cannot be read: {error.problems[0]}"
        return Side(run, lacks=lacks, folder=str(folder))
    known = set(run["hashes"].values())
    changed = [Path(name).name for name, value in catalog.hashes.items() if value not in known]
    if changed:
        option = "--catalogs-old or --catalogs-new"
        lacks = f"{', '.join(changed)} changed since {folder}: name the old file with {option}"
        return Side(run, lacks=lacks, folder=str(folder))
    return Side(run, parsed, catalog, folder=str(folder))


def _stood(run: Mapping[str, Any]) -> str | None:
    return next((path for path in run["hashes"] if path.endswith(".toml")), None)
