"""joblib's dask backend, told what to do when workers are few or die for good.

Its own loop never answers a task whose worker died (the caller would wait for ever); here such a
task gets `Died` as its result. Dask has then tried it on several workers already. Of one worker
joblib makes none and works in the calling process, which a deadly task would take along; here a
single worker counts as two.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from typing import Any

from joblib._dask import DaskDistributedBackend

from optimizer.errors import InputError, Problem


@dataclass(frozen=True, slots=True)
class Died:
    """Stands for the result of a task that its workers did not survive."""

    error: str


class HostsBackend(DaskDistributedBackend):  # type: ignore[misc]
    """The backend with an answer for every task, none of them worked out in this process."""

    def effective_n_jobs(self, n_jobs: int) -> int:
        """Threads of all workers, two at least; waits a while for the first one."""
        try:
            return max(2, int(super().effective_n_jobs(n_jobs)))
        except TimeoutError:
            got, need = "a scheduler without workers", "one worker at least"
            fix = "start one with: dask worker ADDRESS; what is answered already stays answered"
            raise InputError([Problem("--hosts", "", got, need, fix)]) from None

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
