"""What stands on the briefing page: facts and words laid out as plain text fields."""

from __future__ import annotations

import base64
import hashlib
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import jinja2

from outcomes import __version__
from outcomes.analysis.finds.cycles_or_age import WhichPredicts
from outcomes.analysis.results import FindEstimate
from outcomes.answers.facts import Facts
from outcomes.answers.floor_grid import floor_grid
from outcomes.draw.floor_layer import floor_layer, hide_floor, size_pt
from outcomes.draw.lifetime_figure import draw_wear_out_in_page
from outcomes.draw.main_figure import (
    IN_PAGE,
    ThresholdMark,
    draw_stacked_figure,
)
from outcomes.draw.records_figure import IN_PAGE as RECORDS_IN_PAGE
from outcomes.draw.records_figure import draw_records_figure
from outcomes.draw.save import (
    compact_svg,
    describe_figure,
    render_figure,
    render_lettered_svg,
)
from outcomes.draw.shelf_figure import LATEST
from outcomes.draw.stock_figure import draw_stock_figure
from outcomes.exposure.places_read import places_read
from outcomes.records.tables import Finding
from outcomes.report import paper, price_table
from outcomes.report.answer_figure import (
    draw_briefing_figure,
    draw_sheet,
    drawn_curves,
    figure_footer,
    needed_of,
    records_footer,
    threshold_marks,
)
from outcomes.report.floor_control import figure_alt, floor_control
from outcomes.report.paper_face import paper_faces
from outcomes.report.planned_lines import planned_lines, settling_lines
from outcomes.report.shelf_rows import lowest_of_scale, place_on_scale, shelf_rows
from outcomes.text import count
from outcomes.wording.as_of import as_of_notes
from outcomes.wording.blinding import blinding_counts, describe_blinding
from outcomes.wording.cautions import ACT_CAUTION, CAUTIONS
from outcomes.wording.dogs import DOG_CAUTION
from outcomes.wording.false_alerts import describe_false_alerts
from outcomes.wording.figure import (
    NEEDED_CAPTION,
    describe_circles,
    describe_figure_in_short,
    describe_main_figure,
    describe_nothing_drawn,
)
from outcomes.wording.first_lines import describe_first_lines
from outcomes.wording.inspections import describe_inspections
from outcomes.wording.lifetime import describe_lifetime, describe_rule_errors
from outcomes.wording.lifetime_regression import describe_next_cycles, describe_storage_lifetimes
from outcomes.wording.limit import describe_order, describe_retirement
from outcomes.wording.limitations import describe_limitations
from outcomes.wording.method import describe_intervals, describe_method, p_of_term
from outcomes.wording.next_step import BLIND_NOTE, describe_first_test, describe_next_steps
from outcomes.wording.numbers import floor_in_100, percent
from outcomes.wording.places_read import describe_places_read
from outcomes.wording.planned import describe_planned_in_short
from outcomes.wording.pool_beside import describe_with_pool
from outcomes.wording.price import describe_price, describe_price_table
from outcomes.wording.records import records_noted
from outcomes.wording.rows import describe_not_on_shelf, describe_rows
from outcomes.wording.rule_by_both import describe_rule_by_both_on_page, either_caption, either_rows
from outcomes.wording.search_time import describe_search_time
from outcomes.wording.sensitivity import (
    describe_checks,
    describe_dogs_in_short,
    describe_firmness,
    describe_not_parted,
)
from outcomes.wording.shelf import (
    SHELF_NOTE,
    describe_past_limit,
    describe_shelf,
    wear_heading,
)
from outcomes.wording.side_tests import describe_side_tests
from outcomes.wording.stock import describe_stock, describe_stock_interval, stock_lines
from outcomes.wording.storage_compared import (
    describe_kinds,
    describe_kinds_left_out,
    describe_portions,
    describe_storage_compared,
    describe_storage_in_short,
)
from outcomes.wording.terms import TERM_WORDS, TERMS_NOTE, describe_left_out
from outcomes.wording.verdict import describe_verdict, describe_verdict_in_short
from outcomes.wording.watch import describe_watch_of_held

_MOST_REASONS = 8
_PER_CENT = re.compile(r"(\d) %")


def render_figures(facts: Facts, png: bytes | None = None) -> dict[str, bytes]:
    """The main figure as PNG, SVG and PDF.

    Parameters
    ----------
    facts
        The unit's facts.
    png
        The PNG, if it has been rendered already.

    Returns
    -------
    dict
        File ending → bytes.
    """
    figure = draw_briefing_figure(facts)
    return {
        "png": render_figure(figure, "png") if png is None else png,
        "svg": render_figure(figure, "svg"),
        "pdf": render_figure(figure, "pdf"),
    }


@dataclass(frozen=True, slots=True)
class DrawnNarrow:
    """The main figure with its panels one above the other; fields as in ``PageFigure``."""

    svg: bytes
    layers: tuple[str, ...]
    own_layer: str
    view_box: tuple[float, float]


@dataclass(frozen=True, slots=True)
class PageFigure:
    """The figure as the page needs it.

    Attributes
    ----------
    svg
        All of it that does not depend on the floor.
    layers
        The floor and the thresholds, as SVG elements to lay over it: one for
        each point of :func:`outcomes.answers.floor_grid.floor_grid`.
    own_layer
        That of them for the unit's own floor.
    view_box
        Width and height of figure and layers, points.
    narrow
        The same for a screen too narrow for the figure; None where it is left out.
    records, records_alt
        The records at a glance as SVG, and what it shows; None where it is left out.
    wear_out, wear_out_alt
        The same of how long sources stay reliable; None without a curve.
    stock, stock_alt
        The same of when sources reach their limit; None where none has a day.
    """

    svg: bytes
    layers: tuple[str, ...]
    own_layer: str
    view_box: tuple[float, float]
    narrow: DrawnNarrow | None = None
    records: bytes | None = None
    records_alt: str = ""
    wear_out: bytes | None = None
    wear_out_alt: str = ""
    stock: bytes | None = None
    stock_alt: str = ""


def render_page_figure(facts: Facts) -> PageFigure | None:
    """The main figure for the page, where heading and answer stand beside it, as SVG.

    Returns
    -------
    PageFigure or None
        None where there is nothing to draw.
    """
    if describe_nothing_drawn(facts.retirement, facts.lifetime) is not None:
        return None

    def drawing(done: int) -> None:
        facts.working.meter("pictures drawn", done, 4)

    floors = [(point.floor, threshold_marks(point.retirement)) for point in floor_grid(facts)]
    figure = draw_sheet(facts, "", "", floors, sheet=IN_PAGE)
    layers = tuple(floor_layer(figure, drawn_curves(facts), *at) for at in floors)
    hide_floor(figure)
    own = [floor for floor, _ in floors].index(facts.settings.floor)
    drawing(1)
    history, trials = facts.joined.history, facts.joined.trials
    records = draw_records_figure(history, trials, records_footer(facts), sheet=RECORDS_IN_PAGE)
    drawing(2)
    wear_out = draw_wear_out_in_page(facts.lifetime) if facts.lifetime.curve else None
    stock = draw_stock_figure(facts.stock, figure_footer(facts)) if facts.stock.dated else None
    narrow = _narrow(facts, floors, own)
    drawing(3)
    drawn = PageFigure(
        svg=compact_svg(render_figure(figure, "svg")),
        layers=layers,
        own_layer=layers[own],
        view_box=size_pt(figure),
        narrow=narrow,
        records=compact_svg(render_figure(records, "svg")),
        records_alt=f"Figure: {describe_figure(records)[0]}.",
        wear_out=None if wear_out is None else compact_svg(render_figure(wear_out, "svg")),
        wear_out_alt="" if wear_out is None else f"Figure: {describe_lifetime(facts.lifetime)}",
        stock=None if stock is None else compact_svg(render_figure(stock, "svg")),
        stock_alt="" if stock is None else f"Figure: {describe_stock(facts.stock)}",
    )
    drawing(4)
    # Another process may have worked at these meanwhile.
    facts.answer_all()
    return drawn


def _narrow(
    facts: Facts, floors: Sequence[tuple[float, Mapping[str, ThresholdMark | None]]], own: int
) -> DrawnNarrow:
    curves = drawn_curves(facts)
    figure = draw_stacked_figure(
        curves,
        *floors[own],
        facts.comparison.at(facts.settings.confidence),
        other_floors=floors,
        needed=needed_of(facts),
    )
    layers = tuple(floor_layer(figure, curves, *at) for at in floors)
    hide_floor(figure)
    return DrawnNarrow(
        svg=render_lettered_svg(figure),
        layers=layers,
        own_layer=layers[own],
        view_box=size_pt(figure),
    )


def render_page(facts: Facts, figure: PageFigure | None) -> str:
    """The briefing as one HTML file that needs nothing beside it.

    Parameters
    ----------
    facts
        The unit's facts.
    figure
        The figure (:func:`render_page_figure`); None for a page that says why there is none.
    """
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("outcomes.report"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    fields = {name: _unbroken(value) for name, value in page_fields(facts, figure).items()}
    template = environment.get_template("briefing.html")
    loader = environment.loader
    assert loader is not None
    script = loader.get_source(environment, "briefing.js")[0].strip()
    given = {"page": fields, "script": script, "policy": _policy(script)}
    # Which letters the sheets need is known once the page stands.
    faces = paper_faces(template.render(**given, faces=()))
    return template.render(**given, faces=faces)


def _policy(script: str) -> str:
    """What a browser may do for the page: show what is in it, run its one script, fetch nothing."""
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode("ascii")
    return (
        "default-src 'none'; img-src data:; font-src data:; style-src 'unsafe-inline'; "
        f"script-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    )


def _unbroken(value: Any) -> Any:
    """The same texts, a number never parted from its per cent sign at the end of a line."""
    if isinstance(value, str):
        return _PER_CENT.sub("\\1\u00a0%", value)
    if isinstance(value, list | tuple):
        return [_unbroken(one) for one in value]
    if isinstance(value, dict):
        return {name: _unbroken(one) for name, one in value.items()}
    return value


def page_fields(facts: Facts, figure: PageFigure | None) -> Mapping[str, Any]:
    """Every text on the page, by its place."""
    settings, fit, side = facts.settings, facts.fit, facts.side_tests
    headline = describe_verdict_in_short(fit, facts.verdict, facts.retirement)
    answer = describe_verdict(fit, facts.verdict, facts.retirement)
    retire = describe_retirement(facts.verdict, facts.retirement)
    compared = facts.comparison.at(settings.confidence)
    storage = describe_storage_in_short(compared)
    unit = facts.records.settings.unit or "One unit"
    trials = facts.joined.trials["started_at"]
    lowest = lowest_of_scale(facts.shelf, (settings.floor,))
    shelf = shelf_rows(facts, lowest)
    narrow = None if figure is None else figure.narrow
    noted = records_noted(facts)
    fields = {
        "title": f"{unit}: do stored sources change what the dogs find?",
        "who": f"{unit}: training records",
        "first": f"{trials.min():%Y-%m-%d}",
        "last": f"{trials.max():%Y-%m-%d}",
        "headline": headline,
        "lead": describe_first_lines(
            fit,
            facts.verdict,
            facts.retirement,
            describe_shelf(facts.shelf, facts.retirement),
        ),
        "order": describe_order(facts.retirement, settings.floor)
        if any(s.find_probability is not None for s in facts.shelf)
        else "",
        "before": noted.before,
        "noted": noted.sentence,
        "answer": answer,
        # Where nothing is named, why not is the answer.
        "answer_open": facts.verdict.verdict
        in (*("too few trials", "no change detected", "cannot be told apart"),),
        "storage": storage,
        "pool": None if facts.with_pool is None else describe_with_pool(facts.with_pool),
        "next": describe_first_test(facts.next_steps),
        "tests": describe_next_steps(facts.next_steps),
        "blind_note": BLIND_NOTE,
        "scale": {
            "low": lowest,
            "floor": place_on_scale(settings.floor, lowest),
            "latest": LATEST,
            "wear": wear_heading(facts.counted_by),
        },
        "interval_note": describe_intervals(settings.confidence, settings.alpha)
        if fit.mixed is not None
        else None,
        "figure": None if figure is None else _as_data(figure.svg),
        "figure_alt": figure_alt(headline, storage, retire),
        "figure_caption": " ".join(
            filter(
                None,
                (
                    NEEDED_CAPTION
                    if needed_of(facts) is not None
                    else describe_figure_in_short(facts.retirement, settings.confidence),
                    None if facts.planned is None else describe_planned_in_short(facts.planned),
                ),
            )
        ),
        "planned": planned_lines(facts),
        "settles": settling_lines(facts),
        "figure_notes": ""
        if needed_of(facts) is not None
        else " ".join(
            filter(
                None,
                (
                    describe_main_figure(facts.retirement),
                    describe_circles(facts.retirement),
                ),
            )
        ),
        "no_figure": describe_nothing_drawn(facts.retirement, facts.lifetime),
        "retire": retire,
        "price": describe_price(facts.price, facts.retirement),
        "either": describe_rule_by_both_on_page(facts),
        "either_rows": either_rows(facts),
        "either_caption": either_caption(facts.price),
        "price_rows": price_table.price_rows(facts.price, facts.retirement),
        "price_headings": price_table.HEADINGS,
        "price_caption": describe_price_table(facts.price, facts.retirement),
        "past_limit": describe_past_limit(facts.shelf, facts.retirement),
        "as_of_notes": as_of_notes(facts),
        "shelf_note": " ".join(filter(None, (describe_not_on_shelf(facts.set_aside), SHELF_NOTE))),
        "shelf_title": f"The shelf on {facts.shelf_day.isoformat()}",
        "shelf_caption": f"Intervals {percent(settings.confidence)}.",
        "shelf": shelf,
        "shelf_on_paper": paper.shelf_on_paper(shelf, paper.shelf_rows_on_paper(shelf)),
        "act_caution": ACT_CAUTION,
        "compare": describe_storage_compared(compared),
        "kinds_compared": describe_kinds(compared, side),
        "kinds_not_compared": describe_kinds_left_out(compared),
        "firmness": []
        if facts.further is None
        else describe_firmness(facts.further, facts.verdict, side),
        "checks": []
        if facts.further is None
        else describe_checks(facts.further, facts.verdict, side),
        "dogs": [] if facts.further is None else describe_dogs_in_short(facts.further.dogs, side),
        "dog_caution": DOG_CAUTION,
        "dogs_watched": [c for c in facts.watched.past if c.of == "dog"],
        "search_time": describe_search_time(facts.search_time, side),
        "false_alerts": describe_false_alerts(facts.false_alerts, side),
        "side_tests": describe_side_tests(side),
        "lifetime": describe_lifetime(facts.lifetime),
        "next_cycles": None
        if facts.lasting.next_cycles.reason or facts.lasting.next_cycles.not_told
        else describe_next_cycles(facts.lasting.next_cycles),
        "watch": None
        if facts.watched.reason is not None
        else describe_watch_of_held(facts.watched, [source.source_id for source in facts.shelf]),
        "portions": None
        if facts.portions.reason is not None
        else describe_portions(facts.portions, settings.alpha),
        "lasting_compared": None
        if not side.beyond_chance("wear-out", "regime")
        else describe_storage_lifetimes(
            facts.lasting.weibull, side, chosen=facts.comparison.reason is not None
        ),
        "rule": describe_rule_errors(facts.lifetime),
        "limits": [
            *describe_limitations(fit, facts.verdict, by_lot=facts.told_by_lot),
            *describe_not_parted(facts.further, facts.verdict),
        ],
        "method": describe_method(fit, facts.verdict),
        "blinding": describe_blinding(blinding_counts(facts.joined.trials)),
        "terms": [_term_row(t, facts.verdict) for t in fit.terms],
        "terms_caption": (
            f"{count(fit.n, 'trial')} of {count(fit.sources, 'source')} by "
            f"{count(fit.dogs, 'dog')}. {TERMS_NOTE}"
        ),
        "confidence": percent(1.0 - settings.alpha),
        "left_out": describe_left_out(fit),
        "rows": describe_rows(facts.records.rows_in, facts.used, len(_aside_rows(facts))),
        "set_aside": _reasons(facts),
        "places_read": describe_places_read(places_read(facts.records)),
        "inspections": describe_inspections(facts.inspected, facts.verdict.verdict),
        "stock": describe_stock(facts.stock),
        "stock_told": stock_lines(facts.stock),
        "stock_note": describe_stock_interval(facts.stock) if facts.stock.dated else None,
        "cautions": CAUTIONS,
        "made_by": (
            f"Made with outcomes {__version__}; floor {floor_in_100(settings.floor)}, "
            f"confidence {percent(settings.confidence)}, seed {settings.seed}. "
            "All numbers are in results.json."
        ),
    }
    return {
        **fields,
        "elsewhere": paper.elsewhere(fields),
        "wear_out": None
        if figure is None or figure.wear_out is None
        else _as_data(figure.wear_out),
        "wear_out_alt": "" if figure is None else figure.wear_out_alt,
        "stock_figure": None if figure is None or figure.stock is None else _as_data(figure.stock),
        "stock_alt": "" if figure is None else figure.stock_alt,
        "records": None if figure is None or figure.records is None else _as_data(figure.records),
        "records_alt": "" if figure is None else figure.records_alt,
        "layer": "" if figure is None else figure.own_layer,
        "view_box": "" if figure is None else _view_box(figure.view_box),
        "narrow": None if narrow is None else _as_data(narrow.svg),
        "narrow_layer": "" if narrow is None else narrow.own_layer,
        "narrow_box": "" if narrow is None else _view_box(narrow.view_box),
        "floor": floor_control(
            facts,
            headline,
            () if figure is None else figure.layers,
            () if narrow is None else narrow.layers,
            lowest,
        ),
    }


def _view_box(size: tuple[float, float]) -> str:
    return " ".join(f"{v:g}" for v in (0, 0, *size))


def _as_data(svg: bytes) -> str:
    return "data:image/svg+xml;base64," + base64.b64encode(svg).decode("ascii")


def _aside_rows(facts: Facts) -> set[tuple[str, str, int | None]]:
    return {(f.table, f.file, f.row) for f in facts.set_aside}


def _reasons(facts: Facts) -> list[str]:
    """Rows set aside, counted by reason, commonest first."""
    first: dict[tuple[str, str, int | None], Finding] = {}
    for f in facts.set_aside:
        first.setdefault((f.table, f.file, f.row), f)
    counted = Counter((f.file, f.problem) for f in first.values())
    ordered = sorted(counted.items(), key=lambda pair: (-pair[1], pair[0]))
    lines = [
        f"{count(number, 'row')} of {file}: {reason}"
        for (file, reason), number in ordered[:_MOST_REASONS]
    ]
    rest = sum(number for _, number in ordered[_MOST_REASONS:])
    if rest:
        lines.append(f"{count(rest, 'row')} for other reasons, listed in set_aside.csv")
    return lines


def _term_row(term: FindEstimate, verdict: WhichPredicts) -> dict[str, str]:
    return {
        "term": TERM_WORDS.get(term.term, term.term),
        "unit": term.unit,
        "odds_ratio": f"{term.ratio:.3g}",
        "interval": f"{term.low:.3g} to {term.high:.3g}",
        "points": f"{term.points:+.1f}".replace("-", "−"),
        "p": p_of_term(term, verdict),
    }
