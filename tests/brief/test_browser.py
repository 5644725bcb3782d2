"""The demo's page in a real browser: from disk, on a phone, and on paper."""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from outcomes.brief.facts import Facts
from outcomes.brief.page import render_page, render_page_figure

BROWSER = next(
    (b for b in ("chromium", "chromium-browser", "google-chrome") if shutil.which(b)), None
)
pytestmark = pytest.mark.skipif(
    BROWSER is None, reason="NOT TESTED in a browser: no chromium here. Install it and run again."
)
# Asks the page itself, once loaded, and writes what it saw where --dump-dom shows it.
PROBE = """
<script>
const errors = [];
window.addEventListener("error", (e) => errors.push(String(e.message || e.target.tagName)), true);
window.addEventListener("load", () => {
  const image = document.querySelector("img");
  const cells = [...document.querySelectorAll("tbody th:not(.long)")];
  const said = {
    errors: errors.length,
    requests: performance.getEntriesByType("resource").filter((r) => !/^data:/.test(r.name)).length,
    figure: image.complete && image.naturalWidth > 0 ? 1 : 0,
    scripts: document.scripts.length - 1,
    sideways: document.documentElement.scrollWidth - document.documentElement.clientWidth,
    wrapped: cells.filter((c) => c.getClientRects().length > 1 ||
      c.clientHeight > 0 && c.scrollWidth > c.clientWidth + 1).length,
    smallest: Math.min(...[...document.querySelectorAll("p, li, td, th, figcaption")]
      .map((e) => parseFloat(getComputedStyle(e).fontSize))),
  };
  const out = document.createElement("pre");
  out.textContent = Object.entries(said).map(([k, v]) => "probe " + k + "=" + v + ";").join(" ");
  document.body.append(out);
});
</script>
"""


@pytest.fixture(scope="module")
def page(demo_facts: Facts) -> str:
    return render_page(demo_facts, render_page_figure(demo_facts))


@pytest.fixture(scope="module")
def browse(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., str]:
    home = tmp_path_factory.mktemp("browser")

    def run(file: Path, *options: str) -> str:
        done = subprocess.run(
            [
                str(BROWSER),
                "--headless",
                "--no-sandbox",
                "--disable-gpu",
                "--disable-dev-shm-usage",
                # Every name leads nowhere, so that a page that needs the network fails.
                "--host-resolver-rules=MAP * ~NOTFOUND",
                f"--user-data-dir={home / 'profile'}",
                *options,
                file.as_uri(),
            ],
            capture_output=True,
            text=True,
            timeout=60,
            check=True,
        )
        return done.stdout

    return run


def _seen(dom: str) -> dict[str, float]:
    return {k: float(v) for k, v in re.findall(r"probe (\w+)=([-\d.]+);", dom)}


def _probed(page: str, folder: Path, browse: Callable[..., str], width: int) -> dict[str, float]:
    """What the probe saw in a frame: chromium makes no window as narrow as a phone."""
    inner, outer = folder / "inner.html", folder / "outer.html"
    inner.write_text(page.replace("<head>", f"<head>{PROBE}", 1), encoding="utf-8")
    outer.write_text(
        f'<!doctype html><iframe src="inner.html" width="{width}" height="900"></iframe>'
        "<script>addEventListener('load', () => { const inner = document.querySelector('iframe');"
        "document.body.append(inner.contentDocument.body.lastChild.cloneNode(true)); });</script>",
        encoding="utf-8",
    )
    return _seen(
        browse(
            outer,
            "--allow-file-access-from-files",
            "--window-size=1400,1000",
            "--virtual-time-budget=5000",
            "--dump-dom",
        )
    )


def test_the_page_names_no_address_and_runs_no_script(page: str) -> None:
    assert re.findall(r"https?://[^\s\"<]*", page) == []
    assert "<script" not in page
    assert re.findall(r"(?:src|href)=\"(?!data:)", page) == []


@pytest.mark.parametrize("width", [390, 1280])
def test_it_opens_from_disk_without_error_request_or_sideways_scrolling(
    width: int, page: str, tmp_path: Path, browse: Callable[..., str]
) -> None:
    seen = _probed(page, tmp_path, browse, width)
    assert seen.pop("smallest") >= 14.0
    assert seen == {
        "errors": 0,
        "requests": 0,
        "figure": 1,
        "scripts": 0,
        "sideways": 0,
        "wrapped": 0,
    }


def test_the_probe_sees_what_is_wrong_with_a_page(
    page: str, tmp_path: Path, browse: Callable[..., str]
) -> None:
    spoiled = page.replace(
        "</main>",
        '<img src="http://unit.invalid/picture.png" alt=""><script>nothing.there()</script>'
        '<p style="min-width: 3000px; font-size: 9px">wide</p></main>',
    )
    seen = _probed(spoiled, tmp_path, browse, 1280)
    assert seen["requests"] == 1
    assert seen["errors"] == 2
    assert seen["scripts"] == 1
    assert seen["sideways"] > 0
    assert seen["smallest"] == 9.0


def test_it_prints_on_three_sheets_of_a4(
    page: str, tmp_path: Path, browse: Callable[..., str]
) -> None:
    file, pdf = tmp_path / "page.html", tmp_path / "page.pdf"
    file.write_text(page, encoding="utf-8")
    browse(file, "--no-pdf-header-footer", f"--print-to-pdf={pdf}")
    made = pdf.read_bytes()
    sheets = [
        [float(v) for v in box.split()] for box in re.findall(rb"/MediaBox \[([^\]]+)\]", made)
    ]
    assert 1 <= len(sheets) <= 3
    # A4 is 210 by 297 mm, a point 25.4 / 72 mm; chromium keeps whole pixels of 1/96 inch.
    for sheet in sheets:
        assert sheet[2] == pytest.approx(210 * 72 / 25.4, abs=0.75)
        assert sheet[3] == pytest.approx(297 * 72 / 25.4, abs=0.75)
