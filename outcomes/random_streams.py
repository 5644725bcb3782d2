"""Random numbers: a stream by name for each thing that is drawn, from the seed of the settings."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import numpy as np

Stream = Literal[
    "assignments",
    "bootstrap",
    "chance alone",
    "codes",
    "cost of limits",
    "cross-validation",
    "early warning",
    "inspections",
    "matched portions",
    "power",
    "share found",
    "source spread",
    "unlogged thaws",
    "shapes",
    "verdict",
]

# What follows the seed. Another number gives other draws, so that the same records would no
# longer give the same answer.
_NUMBERS: dict[Stream, tuple[int, ...]] = {
    "assignments": (69,),
    "bootstrap": (63,),
    "chance alone": (65,),
    "codes": (67,),
    "cost of limits": (62,),
    "cross-validation": (40,),
    "early warning": (),
    "inspections": (81,),
    "matched portions": (64,),
    "power": (70,),
    "share found": (66,),
    "source spread": (61,),
    "unlogged thaws": (30,),
    "verdict": (20,),
    "shapes": (21,),
}


def random_stream(seed: int, name: Stream, *part: int) -> np.random.Generator:
    """A generator for one thing that is drawn.

    Parameters
    ----------
    seed
        Of the settings, at least 0.
    name
        What is drawn; each has its own stream, so that none moves another's draws.
    part
        Number of a part that is to have draws of its own, whatever the parts before it drew.

    Returns
    -------
    numpy.random.Generator
        At the beginning of the stream.

    Examples
    --------
    >>> first = random_stream(1, "bootstrap", 0).random()
    >>> first == random_stream(1, "bootstrap", 0).random()
    True
    >>> first == random_stream(1, "bootstrap", 1).random()
    False
    """
    import numpy as np

    return np.random.default_rng([seed, *_NUMBERS[name], *part])
