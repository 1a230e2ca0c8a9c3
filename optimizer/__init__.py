"""partfront: picks the power-stage parts of a DC-DC converter and proves the choice.

The few verbs a notebook needs: ``read_spec``, ``read_catalog``, ``front``, ``verify``, ``lint``;
of a finished run: ``reopen``, ``obsolete`` with ``Question`` and ``Changes``.
They load on first use, so that importing one physics module does not import a solver.
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
    from optimizer.spec import read_spec

__version__ = "0.1.0"

__all__ = [
    "Changes",
    "Question",
    "__version__",
    "front",
    "lint",
    "obsolete",
    "read_catalog",
    "read_spec",
    "reopen",
    "verify",
]

_HOMES = {
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
