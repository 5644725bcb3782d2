"""A figure as bytes."""

import hashlib
import io
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import matplotlib
import pytest
from matplotlib.text import Text
from PIL import Image

from outcomes.draw.main_figure import CAUTION, draw_main_figure
from outcomes.draw.save import (
    KINDS,
    compact_svg,
    describe_figure,
    render_figure,
    render_lettered_svg,
)

SVG = "{http://www.w3.org/2000/svg}"


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_rendering_again_gives_the_same_bytes(made, kind) -> None:
    figure = draw_main_figure(**made.variants["one"])
    first = render_figure(figure, kind)
    for other in KINDS:
        render_figure(figure, other)
    assert render_figure(figure, kind) == first


@pytest.mark.slow
def test_another_process_gives_the_same_bytes(made) -> None:
    made_here = [
        hashlib.sha256(render_figure(draw_main_figure(**made.variants["nothing"]), kind))
        for kind in KINDS
    ]
    program = (
        "import hashlib, runpy, sys\n"
        "given = runpy.run_path(sys.argv[1])['VARIANTS']['nothing']\n"
        "from outcomes.draw.main_figure import draw_main_figure\n"
        "from outcomes.draw.save import KINDS, render_figure\n"
        "for kind in KINDS:\n"
        "    print(hashlib.sha256(render_figure(draw_main_figure(**given), kind)).hexdigest())\n"
    )
    ran = subprocess.run(
        [sys.executable, "-c", program, str(Path(__file__).parent / "conftest.py")],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).parents[2],
    )
    assert ran.stdout.split() == [made_hash.hexdigest() for made_hash in made_here]


def test_the_readers_own_settings_change_nothing(made) -> None:
    plain = render_figure(draw_main_figure(**made.variants["one"]), "png")
    own = {"font.size": 31, "lines.linewidth": 9, "axes.grid": True, "savefig.bbox": "tight"}
    with matplotlib.rc_context(own):
        assert render_figure(draw_main_figure(**made.variants["one"]), "png") == plain


def test_the_picture_is_sixteen_by_nine(made) -> None:
    png = render_figure(draw_main_figure(**made.variants["one"]), "png")
    with Image.open(io.BytesIO(png)) as picture:
        assert picture.size == (1920, 1080)
        assert "Software" not in picture.info


def test_svg_has_title_and_words_and_no_date(made) -> None:
    given = made.variants["two"] | {"title": "Finds fall <fast> & far"}
    svg = render_figure(draw_main_figure(**given), "svg")
    root = ET.fromstring(svg)
    assert root.get("role") == "img"
    assert root.findtext(f"{SVG}title") == "Finds fall <fast> & far"
    words = root.findtext(f"{SVG}desc") or ""
    assert "falls to 85 in 100 at about" in words
    assert CAUTION in words
    assert b"<dc:date>" not in svg
    assert b"matplotlib v" not in svg.lower()


def test_svg_needs_no_font(made) -> None:
    root = ET.fromstring(render_figure(draw_main_figure(**made.variants["one"]), "svg"))
    assert not list(root.iter(f"{SVG}text"))


def test_pdf_bears_no_date_and_no_version(made) -> None:
    pdf = render_figure(draw_main_figure(**made.variants["one"]), "pdf")
    assert pdf.startswith(b"%PDF")
    for mark in (b"CreationDate", b"Producer", b"Creator"):
        assert mark not in pdf


def test_description_joins_the_lines_of_a_block(made) -> None:
    given = made.variants["long_title"]
    title, words = describe_figure(draw_main_figure(**given))
    assert title == given["title"]
    assert given["subtitle"] in words
    assert given["footer"] in words
    assert "floor 85" in words


def test_any_other_kind_is_refused_by_name(made) -> None:
    with pytest.raises(ValueError, match="'gif' is not a kind of figure file"):
        render_figure(draw_main_figure(**made.variants["nothing"]), "gif")  # type: ignore[arg-type]


def _place(element: ET.Element, place: str) -> str:
    """Where an element is, by its own attribute or as moved there by ``transform``."""
    moved = re.fullmatch(r"translate\((\S+?)(?: (\S+))?\)", element.get("transform") or "")
    if element.tag == f"{SVG}use" and moved and place in ("x", "y"):
        at = moved[1] if place == "x" else moved[2] or "0"
        return "" if float(at) == 0.0 else at
    return element.get(place) or ""


def test_page_drawing_is_the_same_in_fewer_bytes(made) -> None:
    figure = draw_main_figure(**made.variants["two"])
    whole = render_figure(figure, "svg")
    small = compact_svg(whole)
    assert len(small) < 0.8 * len(whole)
    first, second = (ET.fromstring(svg) for svg in (whole, small))
    places = ("d", "x", "y", "width", "height")
    assert [e.tag for e in first.iter()] == [e.tag for e in second.iter()]
    rules = dict(re.findall(r"\.(c[0-9a-f]+)\{([^}]*)\}", small.decode()))
    named = [two.get("class") for two in second.iter() if two.get("class")]
    assert len(named) > 2 * len(rules) > 0
    for one, two in zip(first.iter(), second.iter(), strict=True):
        name = two.get("class")
        assert one.get("style") == (two.get("style") if name is None else rules[name])
        for place in places:
            numbers, rounded = (
                [float(n) for n in re.findall(r"-?\d+(?:\.\d+)?", at)]
                for at in (_place(e, place) for e in (one, two))
            )
            # Half a hundredth of a point, which no screen and no printer shows.
            assert rounded == pytest.approx(numbers, abs=0.0051)
    pointed = re.findall(rb'(?:href="#|url\(#)([^")]+)', small)
    assert set(pointed) <= set(re.findall(rb' id="([^"]+)"', small))


def test_readers_letters_keep_the_words(made) -> None:
    figure = draw_main_figure(**made.variants["two"])
    outlined, lettered = compact_svg(render_figure(figure, "svg")), render_lettered_svg(figure)
    assert len(lettered) < 0.7 * len(outlined)
    written = [e.text for e in ET.fromstring(lettered).iter(f"{SVG}text")]
    drawn = [t.get_text() for t in figure.findobj(Text) if t.get_visible() and t.get_gid()]
    assert drawn
    assert set(drawn) - {""} <= {text for text in written if text}
    root = ET.fromstring(lettered)
    assert (root.get("font-family") or "").endswith("sans-serif")
    assert b"rotate(" not in lettered
    assert render_lettered_svg(figure) == lettered
