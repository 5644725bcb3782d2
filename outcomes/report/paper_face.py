"""The face the sheets are set in: it travels in the page, so they break alike on every machine."""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import matplotlib

# Under the SIL Open Font Licence, and narrow enough for two sheets; matplotlib carries it.
_FILES = ((400, "STIXGeneral.ttf"), (700, "STIXGeneralBol.ttf"))
# A script on the page may put any of these where another stood.
_ALWAYS = frozenset(map(chr, range(32, 127)))
# The name of a copy that was changed may not be the name of the whole; its licence stays.
_COPYRIGHT_AND_LICENCE = [0, 13]
_OF_OTHER_PROGRAMS = ["FFTM", "PfEd", "TeX ", "BDF ", "MATH"]


@dataclass(frozen=True, slots=True)
class PaperFace:
    """One weight of the face.

    Attributes
    ----------
    weight
        As in CSS: 400 or 700.
    font
        A TrueType font with no more than the letters asked for.
    """

    weight: int
    font: bytes

    @property
    def data(self) -> str:
        """The font as an address that holds it."""
        return "data:font/ttf;base64," + base64.b64encode(self.font).decode("ascii")


def paper_faces(text: str) -> tuple[PaperFace, ...]:
    """The face in both weights, cut down to the letters of a text and all of ASCII.

    A letter that the face lacks is left to the reader's own. Not compressed: compression
    differs between machines, and the page's bytes would with it.

    Parameters
    ----------
    text
        What is to be set.

    Returns
    -------
    tuple of PaperFace
        Empty where the installed matplotlib comes without the face.

    Examples
    --------
    >>> [face.weight for face in paper_faces("Retire after 13 cycles")]
    [400, 700]
    """
    return _cut_down(_ALWAYS | frozenset(text))


@lru_cache(maxsize=8)
def _cut_down(letters: frozenset[str]) -> tuple[PaperFace, ...]:
    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    if not all((folder / name).is_file() for _, name in _FILES):
        return ()
    return tuple(
        PaperFace(weight, _subset(folder / name, "".join(sorted(letters))))
        for weight, name in _FILES
    )


def _subset(file: Path, letters: str) -> bytes:
    from fontTools import subset
    from fontTools.ttLib import TTFont

    options = subset.Options()
    options.hinting = False
    options.layout_features = ["kern"]
    options.name_IDs = _COPYRIGHT_AND_LICENCE
    options.drop_tables += _OF_OTHER_PROGRAMS
    font = TTFont(file, recalcTimestamp=False)
    cut = subset.Subsetter(options)
    cut.populate(text=letters)
    cut.subset(font)
    held = io.BytesIO()
    font.save(held)
    return held.getvalue()
