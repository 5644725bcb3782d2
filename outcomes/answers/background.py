"""Named questions, put at once to another process or answered here, each when it is needed."""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import Executor, Future
from typing import Any


class Questions:
    """Calls by name; the answers are the same wherever they are made.

    The other process is handed one at a time, in the order put, and the next when it has
    done: what it has not begun is free to be answered here.

    Parameters
    ----------
    pool
        Where to answer them meanwhile; None: here, when the answer is needed.
    """

    def __init__(self, pool: Executor | None = None) -> None:
        self._pool = pool
        self._calls: dict[str, tuple[Callable[..., Any], tuple[Any, ...]]] = {}
        self._waiting: list[str] = []
        self._handed: dict[str, Future[Any]] = {}
        # The pool tells that it has done from a thread of its own.
        self._lock = threading.RLock()

    def put(self, name: str, ask: Callable[..., Any], *arguments: Any) -> None:
        """Put a question: at work on it as soon as another process is free."""
        if name in self._calls:
            return
        self._calls[name] = (ask, arguments)
        if self._pool is not None:
            with self._lock:
                self._waiting.append(name)
                self._hand_next()

    def only(self, name: str) -> Questions:
        """What takes one question of those put to it, and hands it on to these."""
        return _Only(self, name)

    def answer(self, name: str) -> Any:
        """The answer to a question that was put.

        One that nobody has begun is answered here, so that neither process waits
        for the other while there is work left.
        """
        ask, arguments = self._calls[name]
        with self._lock:
            handed = self._handed.get(name)
            if handed is None and name in self._waiting:
                self._waiting.remove(name)
        if handed is None or handed.cancel():
            return ask(*arguments)
        return handed.result()

    def _hand_next(self, _: object = None) -> None:
        with self._lock:
            busy = any(not future.done() for future in self._handed.values())
            if self._pool is None or busy or not self._waiting:
                return
            name = self._waiting.pop(0)
            ask, arguments = self._calls[name]
            try:
                future = self._pool.submit(ask, *arguments)
            except RuntimeError:  # closed meanwhile: nobody waits for what is left
                return
            self._handed[name] = future
        future.add_done_callback(self._hand_next)


class _Only(Questions):
    """Hands on one question of those put, and leaves the others."""

    def __init__(self, questions: Questions, name: str) -> None:
        super().__init__()
        self._questions, self._name = questions, name

    def put(self, name: str, ask: Callable[..., Any], *arguments: Any) -> None:
        """Put a question, if it is the one."""
        if name == self._name:
            self._questions.put(name, ask, *arguments)
