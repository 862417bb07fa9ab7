"""Workers on an existing Dask cluster, for a lab whose captures outgrow one machine.

The captures must lie where every worker finds them under the same path, and the workers must have the same version
of this package. Only here is ``distributed`` imported.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from concurrent.futures import Executor
from typing import Final

from frametime.errors import OutputError, printable

_CLOSING_S: Final = 1.0


@contextlib.contextmanager
def cluster_executor(address: str, *, timeout_s: float = 10.0) -> Iterator[tuple[Executor, int]]:
    """An executor on the cluster at ``address``, and how many files it can measure at once.

    Parameters
    ----------
    address : str
        Of the scheduler, such as ``tcp://127.0.0.1:8786``.
    timeout_s : float
        How long to wait for an answer.

    Raises
    ------
    OutputError
        If the extra is not installed, nothing answers at the address, or the cluster has no worker.
    """
    try:
        from distributed import Client
    except ModuleNotFoundError as error:
        raise OutputError("a cluster needs one more package: pip install 'frametime[cluster]'") from error
    # Made in two steps: a client that does not come to its end is to be closed too, or it waits when the process ends.
    client = Client.__new__(Client)
    try:
        client.__init__(address, timeout=timeout_s, set_as_default=False)  # type: ignore[misc]
    except (OSError, ValueError, TimeoutError) as error:
        with contextlib.suppress(TimeoutError):
            client.close(timeout=_CLOSING_S)  # type: ignore[no-untyped-call]
        raise OutputError.at(printable(address), "no cluster answers here", helps="check the address") from error
    with client:
        n_threads = sum(client.nthreads().values())  # type: ignore[no-untyped-call]
        if n_threads == 0:
            raise OutputError.at(printable(address), "the cluster has no worker", helps="start one first")
        yield client.get_executor(pure=False, retries=1), n_threads  # type: ignore[no-untyped-call]
