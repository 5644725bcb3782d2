"""The demo's page in a real browser: from disk, on a phone, and on paper."""

import base64
import hashlib
import html
import json
import os
import re
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import axe_core_python
import matplotlib
import numpy as np
import pytest

from outcomes.answers.facts import Facts, gather_facts
from outcomes.draw.main_figure import IN_COLUMN, IN_PAGE
from outcomes.draw.records_figure import IN_PAGE as RECORDS_IN_PAGE
from outcomes.draw.theme import FOOTER_PT, LABEL_PT, POINTS_PER_IN
from outcomes.records.read import read_records
from outcomes.report.page import render_page, render_page_figure
from outcomes.report.results import results
from outcomes.settings import DecisionSettings
from outcomes.simulate import Truth, simulate_unit
from outcomes.wording.cautions import ACT_CAUTION, CAUTIONS
from tests.conftest import write_records

BROWSER = next(
    (b for b in ("chromium", "chromium-browser", "google-chrome") if shutil.which(b)), None
)
NEEDED = os.environ.get("OUTCOMES_NEEDS_BROWSER") == "1"


@pytest.fixture(scope="session", autouse=True)
def browser_there() -> None:
    """Whether there is a browser: without one nothing here is tested, which is said aloud."""
    if BROWSER is None:
        told = "NOT TESTED in a browser: no chromium here. Install it and run again."
        (pytest.fail if NEEDED else pytest.skip)(told)


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


@pytest.fixture(scope="session")
def large_facts(tmp_path_factory: pytest.TempPathFactory) -> Facts:
    """All results on a unit with a long shelf, gathered once."""
    truth = Truth(baseline_log_odds=2.5, cycle_log_odds=-0.15)
    unit = simulate_unit(truth, 7, trials=700, dogs=6, sources=60, months=18)
    records = write_records(unit, tmp_path_factory.mktemp("large") / "records")
    return gather_facts(read_records(records), DecisionSettings())


@pytest.fixture(scope="session")
def page_of(
    demo_facts: Facts, large_facts: Facts, briefing_of: Callable[..., Any]
) -> Callable[[str], str]:
    """The page of a unit by its name; each is made once."""
    made: dict[str, str] = {}

    def make(name: str) -> str:
        if name not in made:
            facts = {"demo": demo_facts, "large": large_facts}.get(name)
            made[name] = (
                (briefing_of(name).folder / "briefing.html").read_text(encoding="utf-8")
                if facts is None
                else render_page(facts, render_page_figure(facts))
            )
        return made[name]

    return make


@pytest.fixture(scope="session")
def page(page_of: Callable[[str], str]) -> str:
    return page_of("demo")


@pytest.fixture(scope="session")
def browse(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., str]:
    home = tmp_path_factory.mktemp("browser")

    def run(file: Path, *options: str, fonts: Path | None = None) -> str:
        known = {} if fonts is None else {"FONTCONFIG_FILE": str(fonts)}
        done = subprocess.run(
            [
                str(BROWSER),
                "--headless",
                "--no-sandbox",
                "--disable-gpu",
                "--disable-dev-shm-usage",
                "--disable-background-networking",
                "--no-first-run",
                # Every name leads nowhere, so that a page that needs the network fails.
                "--host-resolver-rules=MAP * ~NOTFOUND",
                f"--user-data-dir={home / 'profile'}",
                *options,
                file.as_uri(),
            ],
            env=os.environ | known,
            capture_output=True,
            text=True,
            timeout=60,
            check=True,
        )
        return done.stdout

    return run


def _probing(page: str, probe: str) -> str:
    """The page with a script of ours before its own, which its policy would forbid."""
    free = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", page)
    assert free != page
    return free.replace("<head>", f"<head>{probe}", 1)


def _seen(dom: str) -> dict[str, float]:
    return {k: float(v) for k, v in re.findall(r"probe (\w+)=([-\d.]+);", dom)}


def _probed(
    page: str, folder: Path, browse: Callable[..., str], width: int, probe: str = PROBE
) -> dict[str, float]:
    """What the probe saw in a frame: chromium makes no window as narrow as a phone."""
    inner, outer = folder / "inner.html", folder / "outer.html"
    inner.write_text(_probing(page, probe), encoding="utf-8")
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


def test_page_names_no_address(page) -> None:
    assert re.findall(r"https?://[^\s\"<]*", page) == []
    assert re.findall(r"<script[^>]*>", page) == [
        '<script type="application/json" id="floor-data">',
        "<script>",
    ]
    assert re.findall(r"(?:src|href)=\"(?!data:|#)", page) == []


def test_policy_lets_the_one_script_run_and_no_other(page, tmp_path, browse) -> None:
    # Content Security Policy Level 3, W3C, 2.3.1: a hash is of the text between the tags.
    (policy,) = re.findall(r'Content-Security-Policy" content="([^"]*)"', page)
    script = re.findall(r"<script>(.*?)</script>", page, re.DOTALL)[-1]
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    assert f"script-src 'sha256-{digest}'" in html.unescape(policy)
    assert "default-src 'none'" in html.unescape(policy)
    file = tmp_path / "page.html"
    other = "<script>document.title = 'run'</script></main>"
    file.write_text(page.replace("</main>", other), encoding="utf-8")
    dom = browse(file, "--virtual-time-budget=5000", "--dump-dom")
    assert re.search(r'id="floor-control"(?! hidden)', dom)
    assert "<title>run</title>" not in dom


@pytest.mark.parametrize("width", [390, 1280])
def test_page_opens_without_fault(width, page, tmp_path, browse) -> None:
    seen = _probed(page, tmp_path, browse, width)
    assert seen.pop("smallest") >= 14.0
    assert seen == {
        "errors": 0, "requests": 0, "figure": 1, "scripts": 2, "sideways": 0, "wrapped": 0,
    }  # fmt: skip


def test_the_probe_sees_what_is_wrong_with_a_page(page, tmp_path, browse) -> None:
    spoiled = page.replace(
        "</main>",
        '<img src="http://unit.invalid/picture.png" alt=""><script>nothing.there()</script>'
        '<p style="min-width: 3000px; font-size: 9px">wide</p></main>',
    )
    seen = _probed(spoiled, tmp_path, browse, 1280)
    assert seen["requests"] == 1
    assert seen["errors"] == 2
    assert seen["scripts"] == 3
    assert seen["sideways"] > 0
    assert seen["smallest"] == 9.0


AXE = (Path(axe_core_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
LARGE = pytest.param("large", marks=pytest.mark.slow)
MORE = tuple(
    pytest.param(unit, marks=pytest.mark.slow)
    for unit in ("effect falling", "kinds apart", "all refrigerated")
)
FIVE = ("demo", LARGE, "no effect", "too few trials", "cycles and age identical")
EIGHT = (*FIVE, *MORE)
MOVE = """
<script>
const complaints = [];
for (const kind of ["error", "warn"]) console[kind] = (...told) => complaints.push(told.join(" "));
const heard = (e) => complaints.push(String(e.message || e.target.tagName));
window.addEventListener("error", heard, true);
window.addEventListener("unhandledrejection", (e) => complaints.push(String(e.reason)));
window.addEventListener("load", async () => {
  const text = (e) => e === null || e.hidden ? "" : e.textContent.replace(/\\s+/g, " ").trim();
  const by = (name) => text(document.querySelector(`[data-floor="${name}"]`));
  const slider = document.getElementById("floor");
  const look = () => ({
    said: text(document.getElementById("floor-said")),
    value: slider && slider.getAttribute("aria-valuetext"),
    either: by("either"),
    table: [...document.querySelectorAll("#either-table tbody tr")]
      .filter((row) => row.getClientRects().length > 0).map((row) => [...row.cells].map(text)),
    limit: by("limit"), shelf: by("shelf"), retire: by("retire"), moved: by("moved"),
    alt: ((e) => e ? e.getAttribute("aria-label") : "")(document.getElementById("figure")),
    layer: (document.getElementById("floor-layer") || { innerHTML: "" }).innerHTML,
    narrow: (document.getElementById("narrow-layer") || { innerHTML: "" }).innerHTML,
    first: by("first"), tests: by("tests"),
    rows: [...document.querySelectorAll(".source")].map((row) =>
      [".name", ".advice", ".reason", ".next"].map((part) => text(row.querySelector(part)))),
    lines: [...new Set([...document.querySelectorAll(".floor-line")].map((e) =>
      e.getAttribute("x1")))],
    marks: [...document.querySelectorAll(".source")].map((row) =>
      [...new Set([...row.querySelectorAll(".mark")].map((e) => e.getAttribute("href")))].join()),
    left: [...document.querySelectorAll(".left")].filter((e) => !e.hidden).length,
  });
  const move = (k) => { slider.value = k; slider.dispatchEvent(new Event("input")); };
  const seen = { first: look(), at: {}, violations: {}, passes: [] };
  if (slider) {
    for (const k of [0, 20, 40, Number(slider.max)]) { move(k); seen.at[k] = look(); }
    document.getElementById("floor-back").click();
    seen.back = look();
  }
  const check = async () => {
    const found = await axe.run(document, { resultTypes: ["violations"] });
    for (const v of found.violations) {
      seen.violations[v.id] = v.nodes.map((n) => n.target.join(" ") + ": " + n.failureSummary);
    }
    seen.passes.push(found.passes.length);
  };
  await check();
  for (const details of document.querySelectorAll("details")) details.open = true;
  await check();
  seen.requests = performance.getEntriesByType("resource").filter((r) => !/^data:/.test(r.name))
    .map((r) => r.name);
  seen.complaints = complaints;
  const out = document.createElement("pre");
  out.id = "probe-moved";
  out.textContent = JSON.stringify(seen);
  document.body.append(out);
});
</script>
"""


def _told(dom: str, probe: str) -> dict[str, Any]:
    """What a probe wrote into the page."""
    told = re.search(rf'<pre id="{probe}">(.*?)</pre>', dom, re.DOTALL)
    found: dict[str, Any] = json.loads(html.unescape(told[1]).replace("\u00a0", " "))
    return found


def _moved(page: str, file: Path, browse: Callable[..., str], *options: str) -> dict[str, Any]:
    file.write_text(_probing(page, f"<script>{AXE}</script>{MOVE}"), encoding="utf-8")
    dom = browse(file, *options, "--virtual-time-budget=60000", "--dump-dom")
    return _told(dom, "probe-moved")


@pytest.fixture(scope="session")
def moved(
    page_of: Callable[[str], str],
    browse: Callable[..., str],
    tmp_path_factory: pytest.TempPathFactory,
) -> Callable[..., dict[str, Any]]:
    """What a unit's page showed as its floor was moved, and what axe says of it."""
    seen: dict[tuple[str, ...], dict[str, Any]] = {}

    def move(unit: str, *options: str) -> dict[str, Any]:
        if (unit, *options) not in seen:
            file = tmp_path_factory.mktemp("moved") / "page.html"
            seen[unit, *options] = _moved(page_of(unit), file, browse, *options)
        return seen[unit, *options]

    return move


@pytest.fixture(scope="session")
def results_of(
    demo_facts: Facts, large_facts: Facts, briefing_of: Callable[..., Any]
) -> Callable[[str], dict[str, Any]]:
    def make(unit: str) -> dict[str, Any]:
        facts = {"demo": demo_facts, "large": large_facts}.get(unit)
        found: dict[str, Any] = briefing_of(unit).results if facts is None else results(facts)
        return found

    return make


@pytest.mark.slow
@pytest.mark.parametrize("unit", FIVE)
def test_page_moves_without_fault(unit, moved) -> None:
    seen = moved(unit)
    assert seen["complaints"] == []
    assert seen["requests"] == []


@pytest.mark.parametrize("unit", FIVE)
def test_at_rest_it_says_what_results_say(unit, moved, results_of) -> None:
    seen, told = moved(unit), results_of(unit)
    for shown in (seen["first"], seen.get("back", seen["first"])):
        assert shown["retire"] == told["retire"]["sentence"]
        assert shown["retire"] in shown["alt"]
        assert shown["moved"] == ""
        assert [row[0] for row in shown["rows"]] == [s["source_id"] for s in told["shelf"]]
        assert [row[1] for row in shown["rows"]] == [s["advice"] for s in told["shelf"]]
        assert [row[2] for row in shown["rows"]] == [s["reason"] for s in told["shelf"]]
    if "back" in seen:
        layers = {name: seen["back"][name] for name in ("layer", "narrow")}
        assert seen["back"] == seen["first"] | layers


@pytest.mark.parametrize("unit", FIVE)
def test_moved_floor_moves_all_as_in_results(unit, moved, results_of) -> None:
    seen, told = moved(unit), results_of(unit)
    by = told["retire"]["by"]
    curve = next((c for c in told["retire"]["curves"] if c["exposure"] == by), None)
    # Without a limit or a shelf that moves there is no control.
    assert seen["at"] or unit == "too few trials"
    for k, shown in seen["at"].items():
        floor = 0.5 + 0.01 * int(k)
        assert shown["said"] == shown["value"] == f"{100 * floor:.0f} in 100"
        if shown["said"] != seen["first"]["said"]:
            assert shown["said"] in shown["moved"]
            assert shown["left"] == 0
            assert shown["layer"] != seen["first"]["layer"]
            assert shown["narrow"] != seen["first"]["narrow"]
        counted = {a: sum(row[1] == a for row in shown["rows"]) for a in ("retire", "test", "keep")}
        for advice, number in counted.items():
            if number and len(shown["rows"]) > 1:
                assert f"{number} to {advice}" in shown["shelf"]
        by_name = {s["source_id"]: s for s in told["shelf"]}
        assert shown["marks"] == [f"#mark-{row[1]}" for row in shown["rows"]]
        assert len(shown["lines"]) == 1
        for name, advice, _, doing in shown["rows"]:
            assert (doing == "retire") == (advice == "retire")
            low, high = by_name[name]["low"], by_name[name]["high"]
            if advice == "retire":
                assert high < floor
            elif advice == "keep":
                assert low >= floor - 1e-9
        if by != "cycles":
            continue
        whole = np.arange(np.ceil(curve["at"][0]), np.floor(told["retire"]["observed_to"]) + 1)
        sure = whole[np.interp(whole, curve["at"], curve["low"]) >= floor]
        ends = (curve["at"][0], told["retire"]["observed_to"])
        start, end = np.interp(ends, curve["at"], curve["probability"])
        if len(sure) and end < floor <= start:
            number = int(sure[-1])
            after = f"Limit: {number} cycle{'' if number == 1 else 's'}"
            assert shown["retire"].startswith(after)
            assert shown["limit"].startswith(after)
            assert shown["retire"] in shown["alt"]
            for layer in ("layer", "narrow"):
                assert f"limit {number} cycle" in shown[layer].replace("&nbsp;", " ")
        else:
            assert not shown["retire"].startswith("Limit: ")


def test_price_by_both_moves_with_the_floor(moved) -> None:
    seen = moved("cycles and age identical")
    shown = {k: at for k, at in seen["at"].items() if at["table"]}
    assert shown
    assert len({at["either"] for at in shown.values()}) == len(shown)
    for at in seen["at"].values():
        assert bool(at["either"]) == bool(at["table"])
        if at["table"]:
            rule = at["table"][0][0]
            assert f"at the floor of {at['said']}. Retire after {rule}" in at["either"]
            assert at["table"][-1][0] == "as now"
            assert [len(row) for row in at["table"]] == [4] * len(at["table"])
    assert seen["back"]["table"] == seen["first"]["table"]


@pytest.mark.parametrize("unit", EIGHT)
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_axe_finds_nothing_to_mend(unit, dark, moved) -> None:
    seen = moved(unit, *(["--blink-settings=preferredColorScheme=0"] if dark else []))
    assert seen["violations"] == {}
    # Folded as it comes, and with all of it open.
    folded, opened = seen["passes"]
    assert min(folded, opened) > 20


def test_axe_sees_what_is_wrong_with_a_page(page, browse, tmp_path) -> None:
    spoiled = page.replace(
        "</main>", '<img src="data:,"><p style="color: #aaa">pale words</p></main>'
    ).replace('<label for="floor">', "<label>")
    seen = _moved(spoiled, tmp_path / "page.html", browse)
    assert {"image-alt", "color-contrast", "label"} <= set(seen["violations"])


def test_without_scripts_the_own_floor_shows(page, browse, tmp_path) -> None:
    # The probe itself is a script: the page's own are taken out instead.
    still = re.sub(r"<script.*?</script>", "", page, flags=re.DOTALL)
    file = tmp_path / "page.html"
    probe = """<script>addEventListener("load", () => document.body.append("probe control=" +
      document.getElementById("floor-control").getClientRects().length + "; probe layer=" +
      document.querySelectorAll("#floor-layer > path").length + ";"));</script>"""
    file.write_text(_probing(still, probe), encoding="utf-8")
    seen = _seen(browse(file, "--virtual-time-budget=5000", "--dump-dom"))
    assert seen["control"] == 0
    assert seen["layer"] > 3


@pytest.mark.parametrize("unit", ["demo", LARGE])
def test_the_page_stays_small(unit, page_of) -> None:
    assert len(page_of(unit).encode()) < 1_500_000


# Millimetres, as the printer's own paper; the page itself asks for none.
PAPERS = {"A4": (210.0, 297.0), "letter": (215.9, 279.4)}


def _print(
    page: str, paper: str, folder: Path, browse: Callable[..., str], fonts: Path | None = None
) -> bytes:
    file, pdf = folder / "page.html", folder / "page.pdf"
    sized = page.replace("</style>", f"@page {{ size: {paper}; }}</style>", 1)
    file.write_text(sized, encoding="utf-8")
    browse(file, "--no-pdf-header-footer", f"--print-to-pdf={pdf}", fonts=fonts)
    return pdf.read_bytes()


def _sheets(pdf: bytes) -> list[list[float]]:
    return [[float(v) for v in box.split()] for box in re.findall(rb"/MediaBox \[([^\]]+)\]", pdf)]


@pytest.mark.slow
@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize(
    "unit", ["demo", LARGE, "no effect", "odd names", "one source", "cycles and age identical"]
)
def test_it_prints_on_two_sheets_of_either_paper(unit, paper, page_of, tmp_path, browse) -> None:
    # Other browsers lay out a little longer: two lines are kept in hand.
    in_hand = "main::after { content: ''; display: block; height: 7mm; }</style>"
    page = page_of(unit).replace("</style>", in_hand, 1)
    sheets = _sheets(_print(page, paper, tmp_path, browse))
    assert 1 <= len(sheets) <= 2
    # A point is 25.4 / 72 mm; chromium keeps whole pixels of 1/96 inch.
    for sheet in sheets:
        assert sheet[2:] == pytest.approx([mm * 72 / 25.4 for mm in PAPERS[paper]], abs=0.75)


CARRIED = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
LIBERATION = Path("/usr/share/fonts/truetype/liberation")
FONTS = {
    "DejaVu": sorted(CARRIED.glob("DejaVu*.ttf")),
    "Liberation": sorted(LIBERATION.glob("LiberationS*.ttf")),
    "none that is named": [CARRIED / "cmtt10.ttf"],
}


@pytest.fixture
def only(tmp_path: Path) -> Callable[[str], Path]:
    """The fontconfig file of a machine with one of ``FONTS`` and no other."""

    def make(name: str) -> Path:
        if not FONTS[name]:
            pytest.skip(f"NOT TESTED with the fonts {name}: they are not here")
        folder, file = tmp_path / "fonts", tmp_path / "fonts.conf"
        folder.mkdir()
        for font in FONTS[name]:
            shutil.copy(font, folder)
        file.write_text(
            '<?xml version="1.0"?><!DOCTYPE fontconfig SYSTEM "fonts.dtd"><fontconfig>'
            f"<dir>{folder}</dir><cachedir>{tmp_path / 'cache'}</cachedir></fontconfig>",
            encoding="utf-8",
        )
        return file

    return make


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("fonts", FONTS)
@pytest.mark.parametrize("unit", ["demo", LARGE])
def test_it_prints_on_two_sheets_with_any_fonts(
    unit, fonts, paper, page_of, tmp_path, browse, only
) -> None:
    made = _print(page_of(unit), paper, tmp_path, browse, only(fonts))
    assert len(_sheets(made)) == 2
    assert b"Serif" not in made  # none of the machine's own


def test_machines_fonts_tell_without_the_face(page, tmp_path, browse, only) -> None:
    without = re.sub(r"@font-face [^\n]*\n", "", page)
    assert len(without) < len(page)
    made = _print(without, "letter", tmp_path, browse, only("DejaVu"))
    assert b"DejaVuSerif" in made
    assert len(_sheets(made)) > 2


def test_the_page_asks_for_no_size_of_paper(page) -> None:
    rules = re.findall(r"@page[^{]*\{([^}]*)\}", page)
    assert len(rules) == 1
    assert "size" not in rules[0]


PRINTED = """
<script>
window.addEventListener("load", () => {
  const shown = (e) => e.getClientRects().length > 0;
  const said = [...document.querySelectorAll("h1, h2, main > details > summary, p, " +
    ".lead li, .cautions li, .source summary, tbody tr")].filter(shown)
    .map((e) => e.textContent.replace(/\\s+/g, " ").trim());
  const smallest = Math.min(...[...document.querySelectorAll("p, li, td, th, figcaption")]
    .filter(shown).map((e) => parseFloat(getComputedStyle(e).fontSize)));
  const out = document.createElement("pre");
  out.id = "probe-printed";
  out.textContent = JSON.stringify({ said: said, smallest: smallest });
  document.body.append(out);
});
</script>
"""


def _on_paper(page: str, folder: Path, browse: Callable[..., str]) -> dict[str, Any]:
    """What a page shows under its rules for paper, which here hold for the screen too."""
    file = folder / "paper.html"
    page = _probing(page.replace("@media print", "@media all"), PRINTED)
    file.write_text(page, encoding="utf-8")
    return _told(browse(file, "--virtual-time-budget=5000", "--dump-dom"), "probe-printed")


@pytest.mark.parametrize("unit", ["demo", LARGE])
def test_what_to_act_on_is_on_the_sheets(unit, page_of, tmp_path, browse) -> None:
    page = page_of(unit)
    found = _on_paper(page, tmp_path, browse)
    said = found["said"]
    for heading in (
        "How much, and how sure",
        "Refrigerated against frozen",
        "How long sources stay reliable",
        "What these records cannot say",
        "Cautions",
    ):
        assert heading in said
    assert "The records, and how it was worked out" not in said
    (pointer,) = [line for line in said if line.startswith("Not on these sheets")]
    assert "briefing.html" in pointer
    for line in CAUTIONS:
        assert line in said
    assert ACT_CAUTION in said
    # Eight points, of which chromium makes 96 / 72 pixels each.
    assert found["smallest"] >= 8.0 * 96 / 72 - 0.01


WIDTHS = """
<script>
window.addEventListener("load", () => {
  for (const details of document.querySelectorAll("details")) details.open = true;
  const said = [...document.querySelectorAll(".drawn img")].map((e) =>
    "probe " + (e.parentNode.classList[1] || "plain") + "=" + e.clientWidth + ";");
  const moving = [...document.querySelectorAll("figure, figure *")]
    .filter((e) => e.scrollWidth > e.clientWidth + 1)
    .filter((e) => getComputedStyle(e).overflowX !== "visible");
  said.push("probe moving=" + moving.length + ";");
  const out = document.createElement("pre");
  out.textContent = said.join(" ");
  document.body.append(out);
});
</script>
"""


def test_paper_figure_is_lettered_like_print(page, tmp_path, browse) -> None:
    file = tmp_path / "paper.html"
    # The rules of paper in a window, and none of a screen's.
    page = page.replace("@media screen and", "@media print and")
    page = _probing(page.replace("@media print {", "@media all {"), WIDTHS)
    file.write_text(page, encoding="utf-8")
    seen = _seen(browse(file, "--virtual-time-budget=5000", "--dump-dom"))
    # CSS has 96 pixels to the inch, on paper too.
    assert seen["narrow"] == 0  # one drawing is enough on paper
    shrunk = seen["wide"] / 96.0 / IN_PAGE.width_in
    assert LABEL_PT * shrunk >= 7.9
    assert (IN_PAGE.small_pt - 0.3) * shrunk >= 7.0
    assert seen["records"] == 0  # not on paper


@pytest.mark.parametrize("width", [390, 760, 903, 905, 1280])
def test_figure_letters_are_eleven_pixels(width, page, tmp_path, browse) -> None:
    seen = _probed(page, tmp_path, browse, width, WIDTHS)
    shown, hidden, sheet = ("wide", "narrow", IN_PAGE) if width > 904 else (
        "narrow", "wide", IN_COLUMN)  # fmt: skip
    assert seen[hidden] == 0
    assert seen["moving"] == 0  # all of it is seen without moving it sideways
    assert (sheet.small_pt - 0.3) / POINTS_PER_IN * seen[shown] / sheet.width_in >= 11.0
    assert FOOTER_PT / POINTS_PER_IN * seen["records"] / RECORDS_IN_PAGE.width_in >= 11.0
    assert "plain" not in seen


@pytest.mark.slow
def test_long_shelf_prints_first_what_to_do(page_of, tmp_path, browse, large_facts) -> None:
    said = _on_paper(page_of("large"), tmp_path, browse)["said"]
    (rest,) = [line for line in said if "to act on first" in line]
    told = re.search(r"The (\d+) sources to act on first .* The other (\d+) sources? ", rest)
    printed, others = int(told[1]), int(told[2])
    assert printed + others == len(large_facts.shelf)
    names = [s.source_id for s in large_facts.shelf]
    first = [line.split()[0].rstrip(":") for line in said]
    rows = [name for name in first if name in names]
    assert rows == names[:printed]
    assert printed >= 15


def test_the_whole_shelf_of_the_demo_is_printed(page, tmp_path, browse, demo_facts) -> None:
    said = _on_paper(page, tmp_path, browse)["said"]
    names = {s.source_id for s in demo_facts.shelf}
    assert {line.split()[0].rstrip(":") for line in said} >= names
    assert not any("to act on first" in line for line in said)
