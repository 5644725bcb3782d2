"""Whether two briefings give the same answer, though two machines may have made them.

Numbers agree to a relative 1e-6 (to 1e-9 near zero), everything said agrees word for word, and
drawings have one size and the same words. Bytes are not compared: processors add up in other
orders, and libraries compress in other ways.

    python tests/same_answer.py DIR DIR

prints every place that differs, and ends with status 1 where there is one.
"""

from __future__ import annotations

import base64
import io
import json
import math
import re
import sys
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import matplotlib.image

RELATIVE = 1e-6
ABSOLUTE = 1e-9
# Which versions made a file is of the machine, not of the answer.
OF_THE_MACHINE = ("/inputs/versions",)
_NUMBER = re.compile(r"-?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?")
_AROUND = 40


def near(stored: float, now: float) -> bool:
    """Whether two numbers are the same but for the last digits of a machine."""
    if math.isnan(stored) or math.isnan(now):
        return math.isnan(stored) and math.isnan(now)
    return math.isclose(stored, now, rel_tol=RELATIVE, abs_tol=ABSOLUTE)


def text_differences(stored: str, now: str, where: str) -> Iterator[str]:
    """Where two texts differ: in the words between numbers, or in a number."""
    words, others = _NUMBER.split(stored), _NUMBER.split(now)
    numbers, other_numbers = list(_NUMBER.finditer(stored)), list(_NUMBER.finditer(now))
    # As many as both have; the words behind them show where one has more.
    for position, (word, other) in enumerate(zip(words, others, strict=False)):
        begin = numbers[position - 1].start() if position else 0
        if word != other:
            yield f"{where}: {_around(stored, begin)} stored, {_around(now, begin)} now"
            return
        if position < min(len(numbers), len(other_numbers)):
            a, b = numbers[position], other_numbers[position]
            if a[0] != b[0] and not near(float(a[0]), float(b[0])):
                yield (
                    f"{where}: {_around(stored, a.start())} stored, {_around(now, b.start())} now"
                )
    if len(words) != len(others):
        yield f"{where}: {len(numbers)} numbers stored, {len(other_numbers)} now"


def _around(text: str, place: int) -> str:
    return repr(text[max(place - _AROUND, 0) : place + _AROUND])


def value_differences(
    stored: Any, now: Any, where: str = "", markup: bool = False
) -> Iterator[str]:
    """Where two values from JSON differ; with ``markup``, texts may hold pieces of a drawing."""
    if where in OF_THE_MACHINE:
        stored, now = dict.fromkeys(stored), dict.fromkeys(now)
    if isinstance(stored, dict) and isinstance(now, dict):
        for key in [*stored, *(k for k in now if k not in stored)]:
            if key not in stored or key not in now:
                yield f"{where}/{key}: only {'now' if key in now else 'stored'}"
            else:
                yield from value_differences(stored[key], now[key], f"{where}/{key}", markup)
    elif isinstance(stored, list) and isinstance(now, list):
        if len(stored) != len(now):
            yield f"{where}: {len(stored)} values stored, {len(now)} now"
        for position, (a, b) in enumerate(zip(stored, now, strict=False)):
            yield from value_differences(a, b, f"{where}/{position}", markup)
    elif markup and isinstance(stored, str) and isinstance(now, str) and "</" in stored:
        yield from drawing_differences(stored, now, where)
    elif not _same(stored, now):
        yield f"{where}: {stored!r} stored, {now!r} now"


def _same(stored: Any, now: Any) -> bool:
    if _is_number(stored) and _is_number(now):
        return near(stored, now)
    return type(stored) is type(now) and bool(stored == now)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def drawing_differences(stored: str, now: str, where: str) -> Iterator[str]:
    """Where two drawings in SVG differ in their size or in their words.

    Where the words stand is left out: a place rounded to a hundredth of a point may tip.
    """
    yield from text_differences(_drawn(stored), _drawn(now), where)


def _drawn(svg: str) -> str:
    size = re.findall(r"<svg\b[^>]*?\s(?:viewBox)=\"([^\"]*)\"", svg)
    without = re.sub(r"<(style|metadata)\b.*?</\1>", "", svg, flags=re.DOTALL)
    # Where letters are drawn as outlines their words stand in a comment.
    words = re.findall(r"<!--(.*?)-->|>([^<]+)(?=</)", without, flags=re.DOTALL)
    return "\n".join([*size, *(part.strip() for pair in words for part in pair if part.strip())])


_IN_PAGE = re.compile(
    r"data:(?P<kind>[\w/+-]+);base64,(?P<held>[A-Za-z0-9+/=]*)"
    r"|(?P<json><script type=\"application/json\"[^>]*>(?P<values>.*?)</script>)"
    r"|(?P<svg><svg\b.*?</svg>)",
    flags=re.DOTALL,
)


def page_differences(stored: str, now: str, where: str) -> Iterator[str]:
    """Where two pages differ: in their text, the values they hold, or their drawings."""
    pieces, others = (list(_IN_PAGE.finditer(page)) for page in (stored, now))
    yield from text_differences(
        _IN_PAGE.sub("⟨piece⟩", stored), _IN_PAGE.sub("⟨piece⟩", now), where
    )
    if len(pieces) != len(others):
        yield f"{where}: {len(pieces)} drawings and values stored, {len(others)} now"
    for number, (piece, other) in enumerate(zip(pieces, others, strict=False), start=1):
        inside = f"{where} piece {number}"
        if piece["kind"] != other["kind"] or bool(piece["json"]) != bool(other["json"]):
            yield f"{inside}: another kind"
        elif piece["json"]:
            values, other_values = json.loads(piece["values"]), json.loads(other["values"])
            yield from value_differences(values, other_values, inside, markup=True)
        elif piece["svg"]:
            yield from drawing_differences(piece["svg"], other["svg"], inside)
        elif piece["kind"] == "image/svg+xml":
            drawings = (base64.b64decode(p["held"]).decode() for p in (piece, other))
            yield from drawing_differences(*drawings, inside)
        elif bool(piece["held"]) != bool(other["held"]):
            yield f"{inside}: there and empty"


def picture_differences(stored: bytes, now: bytes, where: str) -> Iterator[str]:
    """Whether two PNG pictures open and have one size."""
    sizes = []
    for content in (stored, now):
        try:
            sizes.append(matplotlib.image.imread(io.BytesIO(content), format="png").shape[:2])
        except (OSError, SyntaxError, ValueError) as error:
            sizes.append(f"does not open ({error})")
    if sizes[0] != sizes[1] or isinstance(sizes[0], str):
        yield f"{where}: {sizes[0]} stored, {sizes[1]} now"


def sheet_differences(stored: bytes, now: bytes, where: str) -> Iterator[str]:
    """Whether two PDF files are whole and have the same sheets."""
    sheets = []
    for content in (stored, now):
        whole = content.startswith(b"%PDF-") and content.rstrip().endswith(b"%%EOF")
        boxes = re.findall(rb"/MediaBox\s*\[([^\]]*)\]", content)
        sheets.append(b"; ".join(boxes).decode() if whole and boxes else "not whole")
    if "not whole" in sheets:
        yield f"{where}: {sheets[0]} stored, {sheets[1]} now"
    yield from text_differences(sheets[0], sheets[1], where)


def file_differences(stored: bytes, now: bytes, name: str) -> list[str]:
    """Where two files of one name differ."""
    kinds: dict[str, Callable[[Any, Any, str], Iterator[str]]] = {
        ".html": page_differences,
        ".svg": drawing_differences,
        ".png": picture_differences,
        ".pdf": sheet_differences,
    }
    suffix = Path(name).suffix
    if suffix in (".png", ".pdf"):
        return list(kinds[suffix](stored, now, name))
    texts = stored.decode(), now.decode()
    if suffix == ".json":
        found = value_differences(*(json.loads(text) for text in texts))
        return [f"{name} {line}" for line in found]
    return list(kinds.get(suffix, text_differences)(*texts, name))


def differences(stored: Mapping[str, bytes], now: Mapping[str, bytes]) -> list[str]:
    """Where two briefings differ, name of each file to its bytes."""
    lines = []
    for name in sorted({*stored, *now}):
        if name not in stored or name not in now:
            lines.append(f"{name}: only {'now' if name in now else 'stored'}")
        else:
            lines += file_differences(stored[name], now[name], name)
    return lines


def main(arguments: list[str]) -> int:
    """Compare two folders; 1 where they differ, 2 where one cannot be read."""
    folders = [Path(argument) for argument in arguments]
    if len(folders) != 2 or not all(folder.is_dir() for folder in folders):
        sys.stderr.write("Two folders are needed: python tests/same_answer.py DIR DIR\n")
        return 2
    stored, now = (
        {p.relative_to(f).as_posix(): p.read_bytes() for p in f.rglob("*") if p.is_file()}
        for f in folders
    )
    if not stored:
        sys.stderr.write(f"There is no file in {folders[0]}\n")
        return 2
    found = differences(stored, now)
    sys.stdout.writelines(f"{line}\n" for line in found)
    number = len(found) or len(stored)
    said = "difference" if found else "file"
    said = f"{number} {said}{'' if number == 1 else 's'}"
    said = said if found else f"the same answer in {said}"
    sys.stdout.write(f"{folders[0]} and {folders[1]}: {said}\n")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
