"""The records at a glance: where every source was when, and the trials it was in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import matplotlib.dates as mdates
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle

from outcomes.draw.sheet import MARGIN_IN, write_footer, write_header
from outcomes.draw.theme import (
    ALONE,
    FITTED,
    FLOOR,
    HAIRLINE,
    HEADING_PT,
    INK,
    LABEL_PT,
    MUTED,
    Box,
    Sheet,
    drawable,
    lines_height_in,
    size_in,
    text_width_in,
    theme,
    wrap_to_width,
    write,
)
from outcomes.exposure.stays import History
from outcomes.wording.records import describe_days_on_record, describe_records_in_short

# As wide as the page is, so that its letters are those of small print there.
IN_PAGE = Sheet(13.5, 8.6)
MOST_SOURCES = 26
# Of more trials than that, those nearer to one another than a mark is wide are drawn as one.
MOST_MARKS = 10_000
_PLACES_ACROSS = 1_000
NOTHING = "There is no source to draw"
_COUNT_IN = 1.75
_AXIS_IN = 0.4
_KEY_IN = 0.36
_MOST_NAME_IN = 2.6


@dataclass(frozen=True, slots=True)
class _Look:
    """How a place is drawn: by height as well as by colour, so that grey print tells them apart."""

    words: str
    colour: str
    height: float
    hatch: str | None = None


LOOKS = {
    "freezer": _Look("in the freezer", FITTED, 0.30),
    "refrigerator": _Look("in the refrigerator", "#7fb0d6", 0.14),
    "ambient": _Look("out", FLOOR, 0.52),
    None: _Look("not on record", "white", 0.30, "////"),
}


def draw_records_figure(
    history: History,
    trials: pd.DataFrame,
    footer: str,
    *,
    sheet: Sheet = ALONE,
) -> Figure:
    """Draw one row a source: its places over time, and each of its hide trials.

    Parameters
    ----------
    history
        Storage history of every source.
    trials
        Joined trials.
    footer
        What stands behind the figure: unit and records.
    sheet
        What it is drawn on: a slide of 16 × 9 inches, or ``IN_PAGE``.

    Returns
    -------
    matplotlib.figure.Figure
        Independent of pyplot; see :func:`outcomes.draw.save.render_figure`. At
        most 26 sources are drawn, those with the most trials, which is said. Of more than
        10,000 trials, marks that would lie on one another are drawn once; the counts are of all.
    """
    hides = trials[trials["source_id"].notna() & trials["result"].isin(["find", "miss"])]
    sources = history.sources_frame()
    tried = hides["source_id"].value_counts()
    names = [str(name) for name in sources["source_id"]]
    most = sorted(names, key=lambda name: (-int(tried.get(name, 0)), name))[:MOST_SOURCES]
    stays = shown_stays(history, trials)
    order = stays.groupby("source_id")["start"].min()
    shown = sorted(most, key=lambda name: (order.get(name, pd.Timestamp.max), name))
    with theme():
        figure = Figure(figsize=(sheet.width_in, sheet.height_in))
        if not shown or stays.empty:
            top = write_header(figure, NOTHING, "")
            lines = wrap_to_width(NOTHING, sheet.width_in - 2 * MARGIN_IN, HEADING_PT)
            write(figure, MARGIN_IN, top, lines, HEADING_PT, gid="reason")
            write_footer(figure, footer)
            return figure
        top = write_header(
            figure,
            describe_records_in_short(hides, len(names)),
            describe_days_on_record(stays, len(names), len(shown)),
        )
        bottom = write_footer(figure, footer)
        _write_key(figure, top - _KEY_IN / 2)
        name_width = min(
            max(text_width_in(drawable(n), LABEL_PT, "bold") for n in shown) + 0.2, _MOST_NAME_IN
        )
        height = top - _KEY_IN - 0.3 - bottom - _AXIS_IN
        data = Box(
            MARGIN_IN + name_width,
            bottom + _AXIS_IN,
            sheet.width_in - 2 * MARGIN_IN - name_width - _COUNT_IN,
            height,
        )
        axes = _axes(figure, data, len(shown), stays)
        _draw_stays(axes, stays, shown)
        _draw_trials(axes, hides, shown)
        _write_rows(figure, data, shown, hides)
    return figure


def shown_stays(history: History, trials: pd.DataFrame) -> pd.DataFrame:
    """Stays as drawn, from each source's first day to the last trial or its discarding.

    Parameters
    ----------
    history
        Storage history of every source.
    trials
        Joined trials: the figure ends with the last of them.

    Returns
    -------
    pandas.DataFrame
        ``source_id``, ``start``, ``end`` and ``place``, which is None where the
        log does not say.
    """
    last = trials["started_at"].max().normalize() + pd.Timedelta(days=1)
    stays = history.stays_frame()[["source_id", "start", "place"]].copy()
    acquired = history.sources_frame().set_index("source_id")["acquired_on"]
    stays["start"] = stays["start"].clip(lower=stays["source_id"].map(acquired))
    stays = stays.sort_values(["source_id", "start"], kind="stable")
    stays["end"] = stays.groupby("source_id")["start"].shift(-1).fillna(last).clip(upper=last)
    stays = stays[(stays["place"].fillna("") != "discarded") & (stays["start"] < stays["end"])]
    # Until its first stay, and with none at all, a source's place is not on record.
    first = stays.groupby("source_id")["start"].min().reindex(acquired.index).fillna(last)
    unknown = pd.DataFrame(
        {"source_id": acquired.index, "start": acquired.to_numpy(), "end": first.to_numpy()}
    )
    unknown = unknown[unknown["start"] < unknown["end"]].assign(place=None)
    parts = [part for part in (unknown, stays) if len(part)]
    if not parts:
        return stays
    joined = pd.concat(parts) if len(parts) > 1 else parts[0]
    joined["place"] = joined["place"].astype(object).where(joined["place"].notna(), None)
    return joined.sort_values(["source_id", "start"], kind="stable").reset_index(drop=True)


def _axes(figure: Figure, data: Box, rows: int, stays: pd.DataFrame) -> Axes:
    axes = figure.add_axes(data.on(figure), gid="records")
    start, end = stays["start"].min(), stays["end"].max()
    room = (end - start) * 0.01
    axes.set_xlim(_days(start - room), _days(end + room))
    axes.set_ylim(rows - 0.4, -0.6)
    axes.set_yticks([])
    axes.xaxis.set_major_locator(mdates.AutoDateLocator(minticks=4, maxticks=10))  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_formatter(mdates.DateFormatter("%Y-%m"))  # type: ignore[no-untyped-call]
    axes.tick_params(axis="x", length=4)
    axes.grid(axis="x", color=HAIRLINE, linewidth=0.8)
    axes.set_axisbelow(True)
    for side in ("left", "right", "top"):
        axes.spines[side].set_visible(False)
    return axes


def _days(moments: Any) -> Any:
    """Moments as the axis counts them."""
    return mdates.date2num(moments)  # type: ignore[no-untyped-call]


def _draw_stays(axes: Axes, stays: pd.DataFrame, shown: list[str]) -> None:
    place_of = {name: row for row, name in enumerate(shown)}
    least = 0.0015 * (axes.get_xlim()[1] - axes.get_xlim()[0])
    drawn = stays[stays["source_id"].astype(str).isin(shown)]
    for place, look in LOOKS.items():
        of = drawn[drawn["place"].isna() if place is None else drawn["place"] == place]
        if of.empty:
            continue
        starts = _days(of["start"].to_numpy())
        widths = _days(of["end"].to_numpy()) - starts
        if place == "ambient":  # hours out would not be seen among years
            widths = np.maximum(widths, least)
        corners = []
        for name, start, width in zip(of["source_id"], starts, widths, strict=True):
            low, high = (place_of[str(name)] + k * look.height / 2 for k in (-1, 1))
            corners.append(
                [(start, low), (start + width, low), (start + width, high), (start, high)]
            )
        axes.add_collection(
            PolyCollection(
                corners,
                facecolor=look.colour,
                edgecolor=MUTED if look.hatch else "none",
                hatch=look.hatch,
                linewidth=0.6 if look.hatch else 0.0,
                zorder=3 if place == "ambient" else 2,
                gid=f"stay-{place}",
            ),
            autolim=False,
        )


def _draw_trials(axes: Axes, hides: pd.DataFrame, shown: list[str]) -> None:
    """Finds as small dots, misses as crosses, above the row's band."""
    place_of = {name: row for row, name in enumerate(shown)}
    names = hides["source_id"].astype(str)
    looks: tuple[tuple[str, float, dict[str, Any]], ...] = (
        ("find", 0.40, {"marker": "o", "s": 9, "color": MUTED, "linewidth": 0}),
        ("miss", 0.40, {"marker": "x", "s": 42, "color": INK, "linewidth": 2.2}),
    )
    left, right = axes.get_xlim()
    place = np.floor(
        (_days(hides["started_at"].to_numpy()) - left) / (right - left) * _PLACES_ACROSS
    )
    covered = pd.DataFrame({"name": names, "result": hides["result"], "place": place}).duplicated()
    drawn = names.isin(shown) & ~(covered if len(hides) > MOST_MARKS else False)
    for result, rise, look in looks:
        of = hides[(hides["result"] == result) & drawn]
        axes.scatter(
            _days(of["started_at"].to_numpy()),
            [place_of[str(name)] - rise for name in of["source_id"]],
            zorder=4 if result == "find" else 5,
            clip_on=False,
            gid=f"trials-{result}",
            **look,
        )


def _write_rows(figure: Figure, data: Box, shown: list[str], hides: pd.DataFrame) -> None:
    counts = hides.groupby(hides["source_id"].astype(str))["result"].agg(
        n="size", misses=lambda results: int((results == "miss").sum())
    )
    pitch = data.height / (len(shown) + 0.2)  # as the axes are cut: from -0.6 to 0.4 short of all
    size = min(LABEL_PT, pitch * 72.0 / 1.25)
    half = lines_height_in(1, size) / 2
    write(
        figure, data.right + 0.15, data.top + 0.3, ["missed"], LABEL_PT, gid="count-heading",
        color=MUTED,
    )  # fmt: skip
    for row, name in enumerate(shown):
        middle = data.top - pitch * (row + 0.6) + half
        label = _fitted(drawable(name), size)
        write(figure, MARGIN_IN, middle, [label], size, gid="source", weight="bold")
        n, misses = (int(v) for v in counts.loc[name]) if name in counts.index else (0, 0)
        told = f"{misses:,} of {n:,}" if n else "not tried"
        write(figure, data.right + 0.15, middle, [told], size, gid="count")


def _fitted(name: str, size: float) -> str:
    """A name cut with an ellipsis to the room there is."""
    room = _MOST_NAME_IN - 0.2
    if text_width_in(name, size, "bold") <= room:
        return name
    while name and text_width_in(f"{name}…", size, "bold") > room:
        name = name[:-1]
    return f"{name}…"


def _write_key(figure: Figure, middle: float) -> None:
    left = MARGIN_IN
    width, tall = size_in(figure)
    half = lines_height_in(1, LABEL_PT) / 2
    for look in LOOKS.values():
        height = look.height * 0.45
        figure.add_artist(
            Rectangle(
                (left / width, (middle - height / 2) / tall),
                0.45 / width,
                height / tall,
                transform=figure.transFigure,
                facecolor=look.colour,
                edgecolor=MUTED if look.hatch else "none",
                hatch=look.hatch,
                linewidth=0.6 if look.hatch else 0.0,
                gid="key",
            )
        )
        write(figure, left + 0.55, middle + half, [look.words], LABEL_PT, gid="key-words")
        left += 0.55 + text_width_in(look.words, LABEL_PT) + 0.4
    for words, marker, size, colour, edge in (
        ("find", "o", 5.0, MUTED, 0.0),
        ("miss", "x", 9.0, INK, 2.2),
    ):
        figure.add_artist(
            Line2D(
                [(left + 0.1) / width],
                [middle / tall],
                marker=marker,
                markersize=size,
                color=colour,
                markeredgewidth=edge,
                linestyle="none",
                gid="key",
            )
        )
        write(figure, left + 0.28, middle + half, [words], LABEL_PT, gid="key-words")
        left += 0.28 + text_width_in(words, LABEL_PT) + 0.4
