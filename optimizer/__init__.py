"""partfront: picks the power-stage parts of a DC-DC converter and proves the choice.

The few verbs a notebook needs: ``read_spec``, ``read_catalog``, ``front``, ``verify``, ``lint``;
and, of a finished run taken up again with ``take_up``: ``shortlist``, ``why_not``, ``what_if``,
``concessions``, ``decisive_fills``; ``conflict`` where nothing passes; ``difference`` of two runs;
``import_csv`` by a mapping; ``reopen``, ``obsolete`` with ``Question`` and ``Changes`` when parts
go away. They load on first use, so that importing one physics module does not import a solver.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from optimizer.archive_inputs import reopen
    from optimizer.batch_fleet import Question
    from optimizer.batch_fleet import answer_of as obsolete
    from optimizer.catalog import lint, read_catalog
    from optimizer.catalog_changes import Changes
    from optimizer.conclude import front
    from optimizer.conclude import verify_board as verify
    from optimizer.mapping import convert as import_csv
    from optimizer.mapping import read_mapping
    from optimizer.spec import read_spec
    from optimizer.spec_edit import edited
    from optimizer.studies.archived import take_up
    from optimizer.studies.concessions import concessions
    from optimizer.studies.conflict import conflict
    from optimizer.studies.decisive import decisive_fills
    from optimizer.studies.difference import Side, difference
    from optimizer.studies.revisions import difference_of_catalogs
    from optimizer.studies.shortlist import shortlist
    from optimizer.studies.what_if import what_if
    from optimizer.studies.why_not import why_not
    from optimizer.studies.wish import Wish

__version__ = "0.1.0"

__all__ = [
    "Changes",
    "Question",
    "Side",
    "Wish",
    "__version__",
    "concessions",
    "conflict",
    "decisive_fills",
    "difference",
    "difference_of_catalogs",
    "edited",
    "front",
    "import_csv",
    "lint",
    "obsolete",
    "read_catalog",
    "read_mapping",
    "read_spec",
    "reopen",
    "shortlist",
    "take_up",
    "verify",
    "what_if",
    "why_not",
]

_HOMES = {
    "Side": ("optimizer.studies.difference", "Side"),
    "difference": ("optimizer.studies.difference", "difference"),
    "difference_of_catalogs": ("optimizer.studies.revisions", "difference_of_catalogs"),
    "import_csv": ("optimizer.mapping", "convert"),
    "read_mapping": ("optimizer.mapping", "read_mapping"),
    "Wish": ("optimizer.studies.wish", "Wish"),
    "concessions": ("optimizer.studies.concessions", "concessions"),
    "conflict": ("optimizer.studies.conflict", "conflict"),
    "decisive_fills": ("optimizer.studies.decisive", "decisive_fills"),
    "edited": ("optimizer.spec_edit", "edited"),
    "shortlist": ("optimizer.studies.shortlist", "shortlist"),
    "take_up": ("optimizer.studies.archived", "take_up"),
    "what_if": ("optimizer.studies.what_if", "what_if"),
    "why_not": ("optimizer.studies.why_not", "why_not"),
    "Changes": ("optimizer.catalog_changes", "Changes"),
    "Question": ("optimizer.batch_fleet", "Question"),
    "front": ("optimizer.conclude", "front"),
    "lint": ("optimizer.catalog", "lint"),
    "obsolete": ("optimizer.batch_fleet", "answer_of"),
    "read_catalog": ("optimizer.catalog", "read_catalog"),
    "read_spec": ("optimizer.spec", "read_spec"),
    "reopen": ("optimizer.archive_inputs", "reopen"),
    "verify": ("optimizer.conclude", "verify_board"),
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'optimizer' has no attribute {name!r}")
    module, verb = _HOMES[name]
    return getattr(import_module(module), verb)
