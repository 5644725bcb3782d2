"""Named questions, put at once to another process or answered here, each when it is needed."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor, Future
from typing import Any


class Questions:
    """Calls by name; the answers are the same wherever they are made.

    Parameters
    ----------
    pool
        Where to answer them meanwhile; None: here, when the answer is needed.
    """

    def __init__(self, pool: Executor | None = None) -> None:
        self._pool = pool
        self._calls: dict[str, tuple[Callable[..., Any], tuple[Any, ...]]] = {}
        self._promised: dict[str, Future[Any]] = {}

    def put(self, name: str, ask: Callable[..., Any], *arguments: Any) -> None:
        """Put a question: at work on it now where there is another process."""
        if name in self._calls:
            return
        self._calls[name] = (ask, arguments)
        if self._pool is not None:
            self._promised[name] = self._pool.submit(ask, *arguments)

    def answer(self, name: str) -> Any:
        """The answer to a question that was put.

        One that nobody has begun is answered here, so that neither process waits
        for the other while there is work left.
        """
        ask, arguments = self._calls[name]
        promised = self._promised.get(name)
        if promised is None or promised.cancel():
            return ask(*arguments)
        return promised.result()


def load_worker() -> None:
    """Nothing: a worker that has called it has loaded what the questions need."""
    import outcomes.brief.further
    import outcomes.brief.lasting  # noqa: F401
