"""Work that is begun before it is asked for, in a thread of its own: numpy lets other threads run while it computes."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

Result = TypeVar("Result")


def begun(work: Callable[[], Result]) -> Callable[[], Result]:
    """Begin the work in a thread; the call that is given back waits for its end.

    Raises
    ------
    BaseException
        From the call that is given back: whatever the work raised.

    Examples
    --------
    >>> answer = begun(lambda: 6 * 7)
    >>> answer()
    42
    """
    import threading

    results: list[Result] = []
    errors: list[BaseException] = []

    def run() -> None:
        try:
            results.append(work())
        except BaseException as error:  # noqa: BLE001 - it is raised where the result is asked for
            errors.append(error)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()

    def ended() -> Result:
        thread.join()
        if errors:
            raise errors[0]
        return results[0]

    return ended
