"""The workers of a Dask scheduler, or processes of this computer."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from typing import TypeVar

from buswright.errors import UserError, needing
from buswright.season.work.processes import Processes
from buswright.season.work.worker_process import Workers, tried

RETRIES = 3
"""How often Dask tries a task again that failed for another reason than its input."""
ANSWER_S, WORKERS_S = 10, 30
"""How long to wait for the scheduler, and for its first worker."""

_Item = TypeVar("_Item")
_Result = TypeVar("_Result")


class _Dask:
    def __init__(self, client: object, address: str) -> None:
        self._client, self._address = client, address

    def each(
        self, function: Callable[[_Item], _Result], items: Sequence[_Item]
    ) -> Iterator[tuple[_Item, _Result | UserError]]:
        """See `Workers`."""
        from concurrent.futures import CancelledError

        from distributed import KilledWorker, as_completed

        client = self._client
        futures = {
            client.submit(tried, function, item, pure=False, retries=RETRIES): item  # type: ignore[attr-defined]
            for item in items
        }
        try:
            for future in as_completed(list(futures), loop=client.loop):  # type: ignore[attr-defined]
                try:
                    result = future.result()
                except KilledWorker:
                    words = "workers died of it, one after the other"
                    result = UserError(words, hint="give each worker more memory, or add it without --scheduler")
                except CancelledError:
                    words = f"{self._address}: the scheduler went away"
                    raise UserError(words, hint="what was added stays: give the same command again") from None
                except ImportError as fault:
                    words = f"a worker can't load what it needs: {fault}"
                    raise UserError(words, hint="install the same buswright, with its extras, on each worker") from None
                yield futures.pop(future), result
                future.release()
        finally:
            for future in futures:
                future.release()


@contextmanager
def _dask(address: str) -> Iterator[Workers]:
    with needing("--scheduler needs Dask", "cluster"):
        from distributed import Client
    try:
        client = Client(address, timeout=ANSWER_S, set_as_default=False)
    except (OSError, ValueError) as fault:
        words = f"{address}: no Dask scheduler answers: {str(fault).splitlines()[0]}"
        raise UserError(words, hint="start one with `dask scheduler`; the address looks like tcp://host:8786") from None
    try:
        try:
            client.wait_for_workers(1, timeout=WORKERS_S)
        except TimeoutError:
            words = f"{address}: this scheduler has no workers"
            raise UserError(words, hint=f"start some: dask worker {address} --nthreads 1") from None
        yield _Dask(client, address)
    finally:
        client.close()


def workers_of(address: str | None, jobs: int) -> AbstractContextManager[Workers]:
    """Give the workers of a Dask scheduler, or so many processes of this computer.

    Raises
    ------
    UserError
        Dask isn't installed, no scheduler answers, or it has no workers.
    """
    return Processes(jobs) if address is None else _dask(address)
