"""joblib's dask backend, told what to do when a worker dies for good.

Its own loop never answers a task whose worker died (the caller would wait for ever); here such a
task gets `Died` as its result. Dask has then tried it on several workers already.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from typing import Any

from joblib._dask import DaskDistributedBackend


@dataclass(frozen=True, slots=True)
class Died:
    """Stands for the result of a task that its workers did not survive."""

    error: str


class HostsBackend(DaskDistributedBackend):  # type: ignore[misc]
    """The backend with an answer for every task."""

    async def _collect(self) -> None:
        """Hand over results as they come, and `Died` for what ended in an error."""
        while self._continue:
            async for future, result in self.waiting_futures:
                answer: Any = result
                if future.status == "error":
                    answer = [Died(type(result[1]).__name__)]
                self._results.pop(future).set_result(answer)
                self._callbacks.pop(future)(answer)
            await asyncio.sleep(0.01)
