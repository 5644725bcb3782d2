"""A study's figure: each dot where its value is, on the range promised of it."""

import pytest
from matplotlib.colors import to_hex
from promises import PAGES, Found, draw_promises, in_short, judged, promises_svg, told_power
from scipy import stats

from outcomes.draw.theme import FITTED, FLOOR

KEPT = Found("no effect", "wrong, %", 0.045, 0.021, 0.083, (0.0, 0.05), broken=False)
BROKEN = Found("both", "wrong, %", 0.15, 0.104, 0.207, (0.0, 0.05), broken=True)
BIAS = Found("both", "bias", -0.004, -0.008, 0.0, (-0.005, 0.005), broken=False, percent=False)
FIGURE = draw_promises([KEPT, BROKEN, BIAS], "Found, beside promised", ["wrong, %", "bias"])


def drawn(panel: int) -> list[tuple[str, str, list[float], list[float]]]:
    lines = FIGURE.axes[panel].lines
    ends = [(list(d.get_xdata()), list(d.get_ydata())) for d in lines]
    return [
        (d.get_marker(), to_hex(d.get_color()), x, y) for d, (x, y) in zip(lines, ends, strict=True)
    ]


def test_values_stand_in_their_row() -> None:
    (_, colour, ends, rows), (dot, _, value, _) = drawn(0)[:2]
    assert (colour, dot) == (FITTED, "o")
    assert (ends, rows, value) == (pytest.approx([2.1, 8.3]), [0, 0], pytest.approx([4.5]))
    ends, value = drawn(1)[0][2], drawn(1)[1][2]
    assert (ends, value) == (pytest.approx([-0.008, 0.0]), pytest.approx([-0.004]))
    assert drawn(1)[0][3] == [1, 1]  # one row of names for all panels


def test_broken_promise_is_told_by_form() -> None:
    assert [d[0] for d in drawn(0) if len(d[2]) == 1] == ["o", "X"]
    assert drawn(0)[-1][1] == FLOOR


def test_what_is_promised_is_shaded() -> None:
    shades = [(p.get_x(), p.get_width()) for p in FIGURE.axes[0].patches]
    assert shades == [pytest.approx((0.0, 5.0))] * 2
    low, high = FIGURE.axes[1].get_xlim()
    assert low < -0.008
    assert high > 0.005


def test_the_same_numbers_give_the_same_bytes() -> None:
    made = [promises_svg([KEPT, BIAS], "Found", ["wrong, %", "bias"]) for _ in range(2)]
    assert made[0] == made[1]
    assert b"not kept" in made[0]


@pytest.mark.parametrize(
    ("value", "limits", "kept"),
    [
        (0.95, (0.93, 0.97), "yes"),
        (0.95, (0.90, 0.99), "yes"),
        (0.95, (0.87, 0.99), "too few units to tell"),
        (0.98, (0.95, 1.00), "not shown broken"),
        (0.99, (0.975, 1.00), "no: too often"),
        (0.90, (0.86, 0.92), "no: too seldom"),
    ],
)
def test_every_study_judges_by_one_measure(value, limits, kept) -> None:
    assert judged(value, limits, (0.93, 0.97), slack=0.05) == kept


def test_page_begins_with_promises_kept() -> None:
    kept = ["yes", "yes", "", "not shown broken", "too few units to tell"]
    assert in_short(kept) == (
        "**In short: of 4 promises what was found lies within 3 (for 1 of them the units are too "
        "few to tell), and outside 1; none of those lies further out than chance explains.**"
    )
    one = in_short([*kept, "no: too often"])
    assert "outside 2; 1 of those lies further out than chance explains, and is broken" in one
    assert "outside 3; 2 of those lie further" in in_short([*kept, "no: too often", "no: too low"])
    assert (
        in_short(["yes"])
        == "**In short: of 1 promises what was found lies within 1, and outside 0.**"
    )


def test_unseen_is_told_by_the_exact_test() -> None:
    first = next(
        k for k in range(501) if stats.binomtest(k, 500).proportion_ci(0.95, "exact").low > 0.05
    )
    said = told_power(500, 0.05)
    assert f" is shown broken from {first} on ({first / 5:.1f} %)" in said
    truly = float(said.partition("truly ")[2].split()[0]) / 100
    assert (
        stats.binom.sf(first - 1, 500, truly) >= 0.8 > stats.binom.sf(first - 1, 500, truly - 0.001)
    )


@pytest.mark.parametrize("name", ["lifetimes", "intervals", "decisions", "calibration"])
def test_figure_crosses_what_is_called_broken(name: str) -> None:
    page = (PAGES / f"{name}.md").read_text(encoding="utf-8")
    figure = (PAGES / f"{name}.svg").read_text(encoding="utf-8")
    assert figure.count(f"stroke: {FLOOR.lower()}; stroke-width: 2.2") == page.count("| no: ")
