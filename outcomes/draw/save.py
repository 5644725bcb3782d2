"""A figure as bytes: PNG, SVG or PDF, the same from run to run. No files here."""

from __future__ import annotations

import re
from collections import Counter
from html import escape
from io import BytesIO
from typing import Literal

from matplotlib import rc_context
from matplotlib.figure import Figure
from matplotlib.text import Text

from outcomes.draw.theme import DPI, theme

KINDS = ("png", "svg", "pdf")
_FONTS = b"DejaVu Sans, Verdana, Arial, sans-serif"


def describe_figure(figure: Figure) -> tuple[str, str]:
    """The figure for someone who cannot see it.

    Parameters
    ----------
    figure
        A figure drawn by this package.

    Returns
    -------
    tuple of str
        Its title, and every other word on it in the order drawn; bare numbers
        (scales and counts) are left out.
    """
    title: list[str] = []
    rest: list[str] = []
    for artist in figure.findobj(Text, include_self=False):
        assert isinstance(artist, Text)
        words = " ".join(artist.get_text().split())
        gid = artist.get_gid() or ""
        block, _, line = gid.rpartition("-")
        if block == "title":
            title.append(words)
        elif line.isdecimal() and int(line) > 1 and rest:
            rest[-1] += f" {words}"
        elif any(letter.isalpha() for letter in words):
            rest.append(words)
    return " ".join(title), "; ".join(rest)


def render_figure(figure: Figure, kind: Literal["png", "svg", "pdf"]) -> bytes:
    """The figure as the bytes of a file.

    Neither dates nor versions are written in, and identifiers are derived
    from the content, so the same figure gives the same bytes. In SVG the letters are
    outlines, so it looks alike on a machine without the font; its words
    stand in ``<title>`` and ``<desc>`` for screen readers. In PDF
    the letters stay text and the font is embedded.

    Parameters
    ----------
    figure
        A figure drawn by this package.
    kind
        ``"png"``, ``"svg"`` or ``"pdf"``.

    Returns
    -------
    bytes
        The whole file.

    Raises
    ------
    ValueError
        For any other kind.
    """
    title, words = describe_figure(figure)
    metadata: dict[str, dict[str, str | None]] = {
        "png": {"Title": title, "Software": None},
        "svg": {"Title": title, "Date": None, "Creator": None},
        "pdf": {
            "Title": title,
            "Subject": words,
            "CreationDate": None,
            "Creator": None,
            "Producer": None,
        },
    }
    if kind not in metadata:
        raise ValueError(f"{kind!r} is not a kind of figure file; use one of {KINDS}")
    held = BytesIO()
    with theme():
        figure.savefig(held, format=kind, dpi=DPI, metadata=metadata[kind])
    made = held.getvalue()
    return _with_description(made, words) if kind == "svg" else made


def render_lettered_svg(figure: Figure) -> bytes:
    """SVG whose letters are text in the reader's own font, in a third of the bytes.

    For a page that holds the outlined drawing too. The words are placed where that
    drawing has them; a font as wide as ours or narrower keeps them apart.
    """
    held = BytesIO()
    metadata: dict[str, str | None] = {"Date": None, "Creator": None}
    with theme(), rc_context({"svg.fonttype": "none"}):
        figure.savefig(held, format="svg", dpi=DPI, metadata=metadata)
    made = held.getvalue().replace(b" font-family: 'DejaVu Sans';", b"")
    made = re.sub(rb' transform="rotate\(-?0 [^)]*\)"', b"", made)
    made = re.sub(rb" <metadata>.*?</metadata>\n", b"", made, flags=re.DOTALL)
    return compact_svg(made.replace(b"<svg ", b'<svg font-family="%s" ' % _FONTS, 1))


def _with_description(svg: bytes, words: str) -> bytes:
    """Put ``<desc>`` behind the ``<title>`` that matplotlib wrote, and name both for readers."""
    head, mark, rest = svg.partition(b"</title>\n")
    if not mark:
        return svg
    head = head.replace(b"<svg ", b'<svg role="img" aria-labelledby="figure-title" ', 1)
    head = head.replace(b"<title>", b'<title id="figure-title">', 1)
    return head + mark + f" <desc>{escape(words, quote=False)}</desc>\n".encode() + rest


_PLACES = re.compile(r'( (?:d|x|y|width|height)="[^"]*"|translate\([^)]*\))')
_LONG_NUMBER = re.compile(r"-?\d+\.\d{3,}")
_AROUND_LETTER = re.compile(r"(?<=[-\d.\s\"MLCQZz])\s*([MLCQZz])\s*")
_MOVED_USE = re.compile(
    r'(<use xlink:href="#[^"]+") transform="translate\((-?[\d.]+)(?: (-?[\d.]+))?\)"/>'
)
_LOOK = re.compile(r' style="([^"]*)"')
_LOOKS_NAMED = 3
_MADE_NAME = re.compile(r'(?<= id=")(?:[hmp][0-9a-f]{10}|DejaVuSans[^"]*)(?=")')


def compact_svg(svg: bytes) -> bytes:
    r"""The same drawing in fewer bytes: places to a hundredth of a point, no indentation.

    A letter that stands again somewhere is placed by ``x`` and ``y``; a look
    that many elements have stands once, as a class.

    Parameters
    ----------
    svg
        As :func:`render_figure` gives it.

    Examples
    --------
    >>> compact_svg(b'<g transform="translate(1.23456 0) scale(0.0156)">\n <use x="2.006"/>\n</g>')
    b'<g transform="translate(1.23 0) scale(0.0156)"><use x="2.01"/></g>'
    >>> compact_svg(b'<path d="M 1.5 2.25 \nL 3.12345 -4 \nz\n" style="fill: red"/>')
    b'<path d="M1.5 2.25L3.12 -4z" style="fill: red"/>'
    >>> compact_svg(b'<use xlink:href="#a" transform="translate(61.034 0)"/>')
    b'<use href="#a" x="61.03"/>'
    """
    text = _PLACES.sub(_shortened, svg.decode())
    new = {name: f"i{n:x}" for n, name in enumerate(dict.fromkeys(_MADE_NAME.findall(text)))}
    text = re.sub(r'( id="|href="#|url\(#)([^")]+)', lambda at: at[1] + new.get(at[2], at[2]), text)
    text = _MOVED_USE.sub(_placed, text).replace(" xlink:href=", " href=")
    text = _with_classes(text)
    return re.sub(r">\s+<", "><", text).strip().encode()


def _with_classes(text: str) -> str:
    """Give a look that many elements have a name, and say it once."""
    looks = Counter(_LOOK.findall(text))
    named = [look for look, times in looks.items() if times >= _LOOKS_NAMED]
    names = {look: f"c{number:x}" for number, look in enumerate(named)}
    if not names or "</style>" not in text:
        return text
    text = _LOOK.sub(
        lambda at: f' class="{names[at[1]]}"' if at[1] in names else at[0],
        text,
    )
    rules = "".join(f".{name}{{{look}}}" for look, name in names.items())
    return text.replace("</style>", f"{rules}</style>", 1)


def _placed(use: re.Match[str]) -> str:
    """Moved by ``transform`` → placed by ``x`` and ``y``, which is the same."""
    places = zip("xy", (use[2], use[3] or "0"), strict=True)
    return use[1] + "".join(f' {name}="{at}"' for name, at in places if at != "0") + "/>"


def _shortened(part: re.Match[str]) -> str:
    rounded = _LONG_NUMBER.sub(_hundredths, part[0])
    if not rounded.startswith(" d="):
        return rounded
    return " d=" + _AROUND_LETTER.sub(r"\1", rounded.removeprefix(" d="))


def _hundredths(number: re.Match[str]) -> str:
    shown = f"{float(number[0]):.2f}".rstrip("0").rstrip(".")
    return "0" if shown == "-0" else shown
