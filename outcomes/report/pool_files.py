"""The files of ``outcomes pool``: page, figure, pool.json."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from typing import Any

import jinja2

from outcomes import __version__
from outcomes.draw.pool_figure import draw_pool_figure
from outcomes.draw.save import compact_svg, render_figure
from outcomes.pool.answer import PoolAnswer, SlopeTogether
from outcomes.report.pool_document import UNIT_OF, make_pool_document, pool_told
from outcomes.report.write import results_text
from outcomes.text import count
from outcomes.wording import pool as words

POOL_FILES = ("pool.html", "pool.json", "pool.png", "pool.svg")


def pool_files(answer: PoolAnswer, told: Sequence[str]) -> dict[str, bytes]:
    """Name → bytes of every file.

    Parameters
    ----------
    answer
        What the units say.
    told
        What a person should know of shares that were not used.
    """
    figure = draw_pool_figure(answer)
    svg = render_figure(figure, "svg")
    return {
        "pool.html": _page(answer, told, svg).encode(),
        "pool.json": results_text(pool_told(make_pool_document(answer))).encode(),
        "pool.png": render_figure(figure, "png"),
        "pool.svg": svg,
    }


def _page(answer: PoolAnswer, told: Sequence[str], svg: bytes) -> str:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("outcomes.report"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("pool.html").render(page=_fields(answer, told, svg))


def _fields(answer: PoolAnswer, told: Sequence[str], svg: bytes) -> Mapping[str, Any]:
    slopes = list(answer.slopes.values())
    shares = sorted((*answer.added, *answer.beside), key=lambda s: s.unit_code)
    drawn = base64.b64encode(compact_svg(svg)).decode("ascii")
    noted = (
        *(words.describe_disagreement(s) for s in slopes),
        words.describe_few_units(answer),
        words.describe_beside(answer),
        *told,
    )
    return {
        "title": f"{count(len(shares), 'unit')}: do stored sources change what the dogs find?",
        "who": f"{count(len(shares), 'unit')}, through {max(s.through for s in shares)}",
        "headline": words.describe_pool(answer),
        "lead": [
            " ".join(filter(None, (words.describe_slope(s), words.describe_between(s))))
            for s in slopes
        ],
        "noted": [n for n in noted if n is not None],
        "figure": f"data:image/svg+xml;base64,{drawn}",
        "figure_alt": f"Figure: {words.describe_pool(answer)}",
        "tables": [_units_table(answer), *(_slope_table(s) for s in slopes)],
        "method": list(words.describe_pool_method(answer)),
        "cautions": words.POOL_CAUTIONS,
        "made_by": f"Made with outcomes {__version__}. All numbers are in pool.json.",
    }


def _units_table(answer: PoolAnswer) -> Mapping[str, Any]:
    shares = sorted((*answer.added, *answer.beside), key=lambda s: s.unit_code)
    return {
        "heading": "The units",
        "caption": "Counts are rounded down to 5 before they leave a unit.",
        "head": ("unit", "through", "trials", "misses", "sources", "dogs", "added"),
        "rows": [
            (
                s.unit_code,
                s.through,
                f"{s.counts.trials:,}",
                f"{s.counts.misses:,}",
                f"{s.counts.sources}",
                s.counts.dogs,
                words.describe_role(s),
            )
            for s in shares
        ],
    }


def _slope_table(slope: SlopeTogether) -> Mapping[str, Any]:
    rows = [(u.unit_code, u.estimate, u.low, u.high) for u in slope.units]
    rows.append(("together", slope.estimate, slope.low, slope.high))
    if slope.prediction is not None:
        rows.append(("another unit", slope.estimate, slope.prediction.low, slope.prediction.high))
    for by, found in slope.beside.items():
        rows.append(
            (f"together, from estimates alone ({by})", found.estimate, found.low, found.high)
        )
    return {
        "heading": f"{slope.exposure.capitalize()}, per {UNIT_OF[slope.exposure]}",
        "caption": words.SLOPE_TABLE,
        "head": ("unit", "log-odds", "low", "high", "of 90 in 100"),
        "rows": [
            (name, _number(estimate), _number(low), _number(high), words.finds_after(estimate))
            for name, estimate, low, high in rows
        ],
    }


def _number(value: float | None) -> str:
    return "not known" if value is None else f"{value:+.2f}".replace("-", "−")
