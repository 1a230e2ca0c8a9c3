"""Write invented parts catalogs of any size: ``python catalogs/generate.py --seed 1 --scale 1``.

The same seed and scale give the same bytes. Columns and their order come from the one table of
columns, ``optimizer/columns.py``; the market's orders of magnitude from ``market.py``.
"""

from __future__ import annotations

import argparse
import csv
import io
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

from catalogs import market  # noqa: E402
from catalogs.capacitors import capacitors  # noqa: E402
from catalogs.common import Row, cell  # noqa: E402
from catalogs.diodes import diodes  # noqa: E402
from catalogs.inductors import coupled, inductors  # noqa: E402
from catalogs.mosfets import mosfets  # noqa: E402
from catalogs.readme import readme  # noqa: E402
from catalogs.resistors import resistors  # noqa: E402
from optimizer.columns import columns_of  # noqa: E402

MAKERS: dict[str, tuple[str, Callable[[int, int], list[Row]]]] = {
    "mosfets": ("mosfet", mosfets),
    "diodes": ("diode", diodes),
    "inductors": ("inductor", inductors),
    "inductors_coupled": ("inductor", coupled),
    "capacitors": ("capacitor", capacitors),
    "resistors": ("resistor", resistors),
}
"""File stem: kind of the columns, and the function that makes its rows."""


def headers(kind: str) -> tuple[str, ...]:
    """Headers of one kind in file order."""
    return tuple(column.header for column in columns_of(kind))


def csv_text(kind: str, rows: Sequence[Row]) -> str:
    """The rows as CSV with every column of the kind; a cell without a column is an error."""
    names = headers(kind)
    unknown = {name for row in rows for name in row} - set(names)
    if unknown:
        raise KeyError(f"no column for {sorted(unknown)}")
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(names)
    writer.writerows([cell(row.get(name)) for name in names] for row in rows)
    return out.getvalue()


def catalog_texts(*, seed: int = 1, scale: float = 1.0) -> dict[str, str]:
    """File name to CSV text of all catalogs; `scale` multiplies the number of rows."""
    texts = {}
    for stem, (kind, make) in MAKERS.items():
        count = max(round(market.ROWS[stem] * scale), 1)
        texts[f"{stem}.csv"] = csv_text(kind, make(count, seed))
    return texts


def main(arguments: Sequence[str] | None = None) -> int:
    """Write the files into a directory."""
    parser = argparse.ArgumentParser(description="Write invented parts catalogs.")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--scale", type=float, default=1.0, help="multiplies the number of rows")
    parser.add_argument("--out", type=Path, default=HERE, help="directory to write into")
    parser.add_argument("--readme", action="store_true", help="write README.md there too")
    options = parser.parse_args(arguments)
    options.out.mkdir(parents=True, exist_ok=True)
    for name, text in catalog_texts(seed=options.seed, scale=options.scale).items():
        (options.out / name).write_text(text, encoding="utf-8", newline="\n")
        print(f"{options.out / name}: {text.count(chr(10)) - 1} rows")
    if options.readme:
        (options.out / "README.md").write_text(readme(), encoding="utf-8", newline="\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
