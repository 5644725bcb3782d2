"""What every result has in a notebook: a sentence, a frame, a small table."""

from __future__ import annotations

from collections.abc import Iterator
from difflib import get_close_matches
from html import escape

import pandas as pd

from outcomes.text import wrapped

MOST_ROWS = 15
"""Rows of a result that are printed; ``to_frame`` has all."""
_WIDTH = 88


class Result:
    """A result that prints as its sentence with a short table, and hands out all of it as a frame.

    A class of a result gives :attr:`sentence` and :meth:`to_frame`.
    """

    @property
    def sentence(self) -> str:
        """What was found, in words."""
        raise NotImplementedError

    def to_frame(self) -> pd.DataFrame:
        """Every number of the result as a frame of its own."""
        raise NotImplementedError

    def _shown(self) -> pd.DataFrame:
        """The columns that are printed."""
        return self.to_frame()

    def __repr__(self) -> str:
        """The sentence, and the first rows."""
        return "\n".join(self._lines())

    def _lines(self) -> Iterator[str]:
        yield from wrapped(self.sentence, _WIDTH)
        shown = self._shown()
        if len(shown):
            yield shown.head(MOST_ROWS).to_string(float_format=_number, na_rep="")
        if len(shown) > MOST_ROWS:
            yield f"… and {len(shown) - MOST_ROWS} more: to_frame() has all."

    def _repr_html_(self) -> str:
        shown = self._shown()
        parts = [f"<p>{escape(self.sentence)}</p>"]
        if len(shown):
            parts.append(shown.head(MOST_ROWS).to_html(float_format=_number, na_rep="", border=0))
        if len(shown) > MOST_ROWS:
            parts.append(f"<p>… and {len(shown) - MOST_ROWS} more: <code>to_frame()</code></p>")
        return "".join(parts)


def _number(value: float) -> str:
    return f"{value:.3g}"


def unknown(what: str, name: object, known: list[str]) -> KeyError:
    """The error for a name that is not there, with the likely one.

    >>> unknown("term", "age", ["cycles", "age_days"])
    KeyError("there is no term 'age'. Did you mean 'age_days'? There are: cycles, age_days.")
    """
    known = list(dict.fromkeys(known))
    close = get_close_matches(str(name), known, 1, 0.5)
    mean = f" Did you mean {close[0]!r}?" if close else ""
    return KeyError(f"there is no {what} {name!r}.{mean} There are: {', '.join(known)}.")
