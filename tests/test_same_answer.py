"""The comparison of two briefings tells what differs, and lets last digits pass."""

import base64
import io
import json
import subprocess
import sys
from pathlib import Path

import matplotlib.image
import numpy as np
import pytest

from . import same_answer

ROOT = Path(__file__).parents[1]


def _json(**values: object) -> bytes:
    return json.dumps(values).encode()


def _png(height: int) -> bytes:
    held = io.BytesIO()
    matplotlib.image.imsave(held, np.zeros((height, 3)), format="png")
    return held.getvalue()


def _svg(place: float, word: str, width: int = 10) -> str:
    return (
        f'<svg xmlns="x" viewBox="0 0 {width} 5"><style>a {{ x: {place} }}</style>'
        f'<!-- {word} --><path d="M{place} 1"/><text x="{place}">floor 85</text></svg>'
    )


def _page(text: str, svg: str, limit: float, layer: str = "") -> bytes:
    held = base64.b64encode(svg.encode()).decode()
    values = json.dumps({"limit": limit, "layer": layer or svg})
    return (
        f'<h1>{text}</h1><img src="data:image/svg+xml;base64,{held}">{svg}'
        f'<script type="application/json" id="floor-data">{values}</script>'
    ).encode()


SAME = [
    ("a.json", _json(p=0.5, q=None), _json(p=0.5 + 4e-7, q=None)),
    ("a.json", _json(p=1e-12), _json(p=-3e-10)),
    ("a.json", _json(p=1), _json(p=1.0)),
    (
        "a.json",
        _json(inputs={"versions": {"numpy": "1"}}),
        _json(inputs={"versions": {"numpy": "2"}}),
    ),
    ("a.csv", b"a,b\n0.1234567891,x\n", b"a,b\n0.1234567892,x\n"),
    ("a.svg", _svg(1.25, "finds").encode(), _svg(1.26, "finds").encode()),
    (
        "a.html",
        _page("9 cycles", _svg(1.25, "finds"), 2.0),
        _page("9 cycles", _svg(1.26, "finds"), 2 + 1e-7),
    ),
    ("a.png", _png(4), _png(4)),
    ("a.pdf", b"%PDF-1.4 /MediaBox [ 0 0 9 5 ] x %%EOF", b"%PDF-1.4 /MediaBox [ 0 0 9 5 ] %%EOF\n"),
]
OTHER = [
    (
        "a.json",
        _json(p=[0.5, None]),
        _json(p=[0.50001, None]),
        "a.json /p/0: 0.5 stored, 0.50001 now",
    ),
    ("a.json", _json(p=None), _json(p=0.5), "/p: None stored, 0.5 now"),
    ("a.json", _json(p=True), _json(p=1), "/p: True stored, 1 now"),
    ("a.json", _json(p=[1]), _json(p=[1, 2]), "/p: 1 values stored, 2 now"),
    ("a.json", _json(p=1), _json(q=1), "/p: only stored"),
    ("a.json", _json(said="about 9"), _json(said="about 9.0"), "'about 9' stored, 'about 9.0' now"),
    (
        "a.json",
        _json(inputs={"versions": {"numpy": "1"}}),
        _json(inputs={"versions": {}}),
        "numpy: only",
    ),
    ("a.csv", b"0.1,fell", b"0.1,rose", "'0.1,fell' stored, '0.1,rose' now"),
    ("a.csv", b"0.1,x", b"0.10001,x", "'0.1,x' stored, '0.10001,x' now"),
    ("a.csv", b"-0.1", b"0.1", "'-0.1' stored"),
    ("a.csv", b"0.1\n", b"0.1\n0.2\n", "stored"),
    ("a.svg", _svg(1.25, "finds").encode(), _svg(1.25, "misses").encode(), "finds"),
    ("a.svg", _svg(1.25, "finds").encode(), _svg(1.25, "finds", width=11).encode(), "0 0 11 5"),
    ("a.html", _page("9", _svg(1, "a"), 2.0), _page("8", _svg(1, "a"), 2.0), "a.html: '<h1>9<"),
    ("a.html", _page("9", _svg(1, "a"), 2.0), _page("9", _svg(1, "b"), 2.0), "piece 1"),
    ("a.html", _page("9", _svg(1, "a"), 2.0), _page("9", _svg(1, "a"), 2.1), "piece 3/limit"),
    (
        "a.html",
        _page("9", _svg(1, "a"), 2.0),
        _page("9", _svg(1, "a"), 2.0, _svg(1, "b")),
        "piece 3/layer",
    ),
    ("a.png", _png(4), _png(5), "(4, 3) stored, (5, 3) now"),
    ("a.png", _png(4), _png(4)[:40], "does not open"),
    (
        "a.pdf",
        b"%PDF-1.4 /MediaBox [0 0 9 5] %%EOF",
        b"%PDF-1.4 /MediaBox [0 0 9 6] %%EOF",
        "0 0 9 6",
    ),
    ("a.pdf", b"%PDF-1.4 /MediaBox [0 0 9 5] %%EOF", b"%PDF-1.4 /MediaBox [0 0 9 5]", "not whole"),
]


@pytest.mark.parametrize(("name", "stored", "now"), SAME, ids=[str(k) for k in range(len(SAME))])
def test_what_a_machine_may_change_passes(name: str, stored: bytes, now: bytes) -> None:
    assert stored != now or name == "a.png"
    assert same_answer.differences({name: stored}, {name: now}) == []


@pytest.mark.parametrize(
    ("name", "stored", "now", "told"), OTHER, ids=[str(k) for k in range(len(OTHER))]
)
def test_another_answer_is_told(name: str, stored: bytes, now: bytes, told: str) -> None:
    found = same_answer.differences({name: stored}, {name: now})
    assert len(found) >= 1
    assert told in found[0]


def test_a_file_of_one_side_is_told() -> None:
    assert same_answer.differences({"a.csv": b""}, {"b.csv": b""}) == [
        "a.csv: only stored",
        "b.csv: only now",
    ]


def test_command_ends_with_status_one(tmp_path: Path) -> None:
    for folder, p in (("stored", 0.5), ("now", 0.6), ("empty", None)):
        (tmp_path / folder).mkdir()
        if p is not None:
            (tmp_path / folder / "results.json").write_bytes(_json(p=p))

    def compare(*folders: str) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, str(ROOT / "tests" / "same_answer.py"), *folders]
        return subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=60)

    other = compare("stored", "now")
    assert other.returncode == 1
    first, last = other.stdout.splitlines()
    assert first == "results.json /p: 0.5 stored, 0.6 now"
    assert last == "stored and now: 1 difference"
    same = compare("stored", "stored")
    assert (same.returncode, same.stdout) == (0, "stored and stored: the same answer in 1 file\n")
    assert compare("empty", "empty").returncode == compare("stored").returncode == 2


def test_the_committed_page_is_read_whole() -> None:
    page = (ROOT / "reports" / "briefing.html").read_text(encoding="utf-8")
    kinds = [piece["kind"] for piece in same_answer._IN_PAGE.finditer(page)]
    assert kinds.count("image/svg+xml") == page.count("data:image/svg+xml;base64,")
    for piece in same_answer._IN_PAGE.finditer(page):
        if piece["kind"] == "image/svg+xml":
            drawing = base64.b64decode(piece["held"]).decode()
            assert len(same_answer._drawn(drawing).split()) > 30
