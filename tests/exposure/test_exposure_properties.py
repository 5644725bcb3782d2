"""Exposures against a simulation that walks the clock, and what must always hold."""

import os
from dataclasses import dataclass, field, replace
from random import Random
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from outcomes.exposure.accumulate import EXPOSURES, exposure_at
from outcomes.exposure.stays import storage_history
from outcomes.settings import RecordsSettings

EXAMPLES = int(os.environ.get("OUTCOMES_EXAMPLES", "100"))
often = settings(max_examples=EXAMPLES, deadline=None)

# Sums of a few hundred float terms of size up to 1e4: rounding stays far below this.
EXACT = 1e-9

# Nights that cross a year's end, a leap day and a change to summer time.
STARTS = ("2023-12-30 20:00", "2024-02-28 20:00", "2026-03-28 20:00", "1969-12-31 12:00")
NEVER_FALL = (
    "held_days", "age_days", "cycles", "frozen_days", "refrigerated_days", "ambient_hours",
    "degree_hours", "longest_freeze_days", "undocumented_days", "inferred_thaws",
)  # fmt: skip


@dataclass(frozen=True)
class Unit:
    """A small unit on a clock that ticks every ``tick`` minutes from ``origin``."""

    origin: pd.Timestamp
    tick: int
    sources: list[dict[str, Any]]
    moves: list[dict[str, Any]]
    trials: list[dict[str, Any]]
    asked: list[tuple[int, int]]
    rules: RecordsSettings
    readings: list[dict[str, Any]] = field(default_factory=list)

    def time(self, ticks: int) -> pd.Timestamp:
        return self.origin + pd.Timedelta(minutes=ticks * self.tick)

    def midnight(self, day: int) -> pd.Timestamp:
        return self.origin.normalize() + pd.Timedelta(days=day)

    def ticks(self, when: pd.Timestamp) -> int:
        minutes = (when - self.origin) / pd.Timedelta(minutes=1)
        assert minutes % self.tick == 0
        return int(minutes // self.tick)

    def dated(self, trial: dict[str, Any]) -> bool:
        """Whether a trial has a date and no time of day."""
        start = self.time(trial["tick"])
        return start == start.normalize() and not trial["clock"]

    def frames(self) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
        sources = pd.DataFrame(
            {
                "file": "sources.csv",
                "row": np.arange(len(self.sources)) + 2,
                "source_id": [f"S{i}" for i in range(len(self.sources))],
                "kind": "bone",
                "acquired_on": pd.Series(
                    [self.midnight(s["day"]) for s in self.sources], dtype="datetime64[ns]"
                ),
                "age_at_acquisition_days": pd.Series([s["age"] for s in self.sources], dtype=float),
                "packaging": pd.Series([s["packaging"] for s in self.sources], dtype=object),
                "parent_id": pd.Series(
                    [None if s["parent"] is None else f"S{s['parent']}" for s in self.sources],
                    dtype=object,
                ),
            }
        )
        storage = pd.DataFrame(
            {
                "file": "storage.csv",
                "row": np.arange(len(self.moves)) + 2,
                "source_id": pd.Series([f"S{m['source']}" for m in self.moves], dtype=object),
                "moved_at": pd.Series(
                    [self.time(m["tick"]) for m in self.moves], dtype="datetime64[ns]"
                ),
                "moved_to": pd.Series([m["place"] for m in self.moves], dtype=object),
                "temperature_c": pd.Series([m["temperature"] for m in self.moves], dtype=float),
                "packaging": pd.Series([m["packaging"] for m in self.moves], dtype=object),
                "place_id": pd.Series([m.get("name") for m in self.moves], dtype=object),
            }
        )
        trials = pd.DataFrame(
            {
                "file": "trials.csv",
                "row": np.arange(len(self.trials)) + 2,
                "source_id": pd.Series(
                    [None if t["source"] is None else f"S{t['source']}" for t in self.trials],
                    dtype=object,
                ),
                "started_at": pd.Series(
                    [self.time(t["tick"]) for t in self.trials], dtype="datetime64[ns]"
                ),
                "set_min": pd.Series(
                    [np.nan if t["set"] is None else t["set"] * self.tick for t in self.trials],
                    dtype=float,
                ),
                "at_midnight": pd.Series([t["clock"] for t in self.trials], dtype=bool),
            }
        )
        return sources, storage, trials

    def readings_frame(self) -> pd.DataFrame:
        return pd.DataFrame(
            {
                "file": "readings.csv",
                "row": np.arange(len(self.readings)) + 2,
                "source_id": pd.Series(
                    [f"S{r['of']}" if isinstance(r["of"], int) else None for r in self.readings],
                    dtype=object,
                ),
                "place_id": pd.Series(
                    [None if isinstance(r["of"], int) else r["of"] for r in self.readings],
                    dtype=object,
                ),
                "read_at": pd.Series(
                    [self.time(r["tick"]) for r in self.readings], dtype="datetime64[ns]"
                ),
                "temperature_c": pd.Series([r["temperature"] for r in self.readings], dtype=float),
            }
        )

    def questions(self) -> tuple[pd.Series, pd.Series]:
        ids = pd.Series([f"S{source}" for source, _ in self.asked], dtype=object)
        times = pd.Series([self.time(tick) for _, tick in self.asked], dtype="datetime64[ns]")
        return ids, times

    def exposures(self) -> pd.DataFrame:
        history = storage_history(*self.frames(), self.rules, self.readings_frame())
        return exposure_at(history, *self.questions())


@st.composite
def units(draw: st.DrawFn) -> Unit:
    origin = pd.Timestamp(draw(st.sampled_from(STARTS)))
    tick = draw(st.sampled_from([1, 10, 30, 60]))
    longest = {1: 900, 10: 500, 30: 400, 60: 300}[tick]
    # Few different moments, so that moves and trials often share one.
    pool = draw(st.lists(st.integers(0, longest), min_size=1, max_size=12, unique=True))
    near = st.builds(
        lambda tick, apart: min(max(tick + apart, 0), longest),
        st.sampled_from(pool),
        st.sampled_from([-130, -110, -60, -40, -20, -10, -1, 1, 10, 20, 40, 60, 110, 130]).map(
            lambda minutes: int(np.sign(minutes)) * -(-abs(minutes) // tick)
        ),
    )
    moment = st.one_of(st.sampled_from(pool), near, st.integers(0, longest))
    packaging = st.sampled_from([None, None, "sealed", "vented", "open"])
    count = draw(st.sampled_from([1, 1, 2, 3, 4]))
    last_day = longest * tick // 1440 + 1
    sources = [
        {
            "day": draw(st.integers(-1, last_day)),
            "age": draw(st.sampled_from([np.nan, 0.0, 400.5])),
            "packaging": draw(packaging),
            "parent": draw(st.sampled_from([None, *range(i)])) if i else None,
        }
        for i in range(count)
    ]
    to_midnight = (origin.normalize() + pd.Timedelta(days=1) - origin) // pd.Timedelta(minutes=tick)
    midnights = range(to_midnight, longest + 1, 1440 // tick)
    which = st.integers(0, count - 1)
    places = ["freezer"] * 5 + ["refrigerator", "ambient"] * 2
    places += draw(st.sampled_from([[], ["discarded"]]))
    moves = draw(
        st.lists(
            st.fixed_dictionaries(
                {
                    "source": which,
                    "tick": moment,
                    "place": st.sampled_from(places),
                    "temperature": st.sampled_from([np.nan, np.nan, -80.0, 2.5, 31.0]),
                    "packaging": packaging,
                }
            ),
            min_size=draw(st.sampled_from([0, 6, 12])),
            max_size=16,
        )
    )
    trials = draw(
        st.lists(
            st.fixed_dictionaries(
                {
                    "source": st.one_of(which, which, which, st.none()),
                    "tick": st.one_of(moment, moment, st.sampled_from(midnights)),
                    "clock": st.sampled_from([False, False, True]),
                    "set": st.one_of(st.none(), st.integers(0, 120 // tick)),
                }
            ),
            min_size=draw(st.sampled_from([0, 3, 6])),
            max_size=8,
        )
    )
    asked = draw(
        st.lists(st.tuples(which, st.integers(-30, longest + 200)), min_size=1, max_size=6)
    )
    asked += [(t["source"], t["tick"]) for t in trials if t["source"] is not None]
    asked += [(m["source"], m["tick"]) for m in moves]
    rules = RecordsSettings(
        thaw_after_h=draw(st.sampled_from([0.0, 0.5, 1.0, 1.0, 3.0])),
        base_c=draw(st.sampled_from([0.0, 4.0, -5.0])),
        unlogged_thaws=draw(st.sampled_from(["infer", "infer", "strict"])),
    )
    return Unit(origin, tick, sources, moves, trials, asked, rules)


PLACE_NAMES = ("box", "freezer", "refrigerator")


@st.composite
def read_units(draw: st.DrawFn) -> Unit:
    """A unit with loggers, whose temperatures pass whole degrees on ticks only."""
    unit = draw(units())
    named = [m | {"name": draw(st.sampled_from([None, None, "box"]))} for m in unit.moves]
    longest = max([m["tick"] for m in unit.moves] + [t["tick"] for t in unit.trials] + [60])
    within = draw(st.sampled_from([1, 4, 8]))
    readings: list[dict[str, Any]] = []
    of = st.sampled_from([*PLACE_NAMES, *range(len(unit.sources))])
    for logger in draw(st.lists(of, min_size=1, max_size=3, unique=True)):
        tick, temperature = draw(st.integers(-5, longest)), draw(st.integers(-8, 6))
        readings.append({"of": logger, "tick": tick, "temperature": temperature})
        for _ in range(draw(st.integers(0, 14))):
            step = draw(st.sampled_from([1, 2, 3, 4, 4, 6, 8, 30]))
            tick += step
            if step > within:
                temperature = draw(st.integers(-8, 6))
            else:
                temperature += step * draw(st.sampled_from([-1, -1, 0, 1, 1]))
            readings.append({"of": logger, "tick": tick, "temperature": temperature})
    rules = replace(
        unit.rules,
        longest_reading_gap_h=within * unit.tick / 60,
        thawed_above_c=draw(st.sampled_from([0.0, 0.0, 2.0])),
        frozen_below_c=draw(st.sampled_from([-1.0, -1.0, -3.0, 0.0])),
    )
    asked = unit.asked + [
        (source, r["tick"] + draw(st.sampled_from([-1, 0, 0, 1])))
        for r in readings[:6]
        for source in range(len(unit.sources))
    ]
    return replace(unit, moves=named, readings=readings, rules=rules, asked=asked)


# The simulation: lists of moves and a clock that is walked tick by tick.


class Walk:
    """One unit's sources, walked tick by tick; written from the definitions alone."""

    def __init__(self, unit: Unit) -> None:
        self.unit = unit
        self.rules = unit.rules
        self.logs: dict[int, list[dict[str, Any]]] = {}
        self.thawed: dict[int, Any] = {}
        self.heard: dict[Any, dict[int, tuple[float, bool]]] = {}
        self.named = {r["of"] for r in unit.readings}
        ticks = [r["tick"] for r in unit.readings]
        self.travelled = {
            source
            for source in range(len(unit.sources))
            if any(
                self.heard_of(source, x)
                for x in range(min(ticks, default=0), max(ticks, default=0))
            )
        }

    def cut(self, source: int) -> int:
        return self.unit.ticks(self.unit.midnight(self.unit.sources[source]["day"]))

    def parent(self, source: int) -> int | None:
        return self.unit.sources[source]["parent"]

    def age_then(self, source: int) -> float:
        own = self.unit.sources[source]["age"]
        if not np.isnan(own):
            return float(own)
        if self.parent(source) is None:
            return 0.0
        days = (self.cut(source) - self.cut(self.parent(source))) * self.unit.tick / 1440
        return self.age_then(self.parent(source)) + days

    def log(self, source: int) -> list[dict[str, Any]]:
        """Moves in order, one a tick; ``place`` None marks a change of packaging."""
        if source not in self.logs:
            resolved: list[dict[str, Any]] = []
            for move in self._log(source):
                if resolved and resolved[-1]["tick"] == move["tick"]:
                    before = resolved.pop()
                    if move["place"] is None:
                        move = before | {"packaging": move["packaging"]}
                    else:
                        move = move | {"packaging": move["packaging"] or before["packaging"]}
                resolved.append(move)
            self.logs[source] = resolved
        return self.logs[source]

    def _log(self, source: int) -> list[dict[str, Any]]:
        """Moves in order, inherited ones first, those at one tick as well."""
        moves = [m for m in self.unit.moves if m["source"] == source]
        if self.parent(source) is not None:
            own_packaging = self.unit.sources[source]["packaging"]
            inherited, packaging = [], self.first_packaging(source)
            for move in self._log(self.parent(source)):
                packaging = move["packaging"] or packaging
                if move["tick"] <= self.cut(source) and move["place"] != "discarded":
                    inherited.append(move | {"packaging": packaging})
            if own_packaging is not None:
                repacked = {"tick": self.cut(source), "place": None, "packaging": own_packaging}
                inherited.append(repacked)
            moves = inherited + [m for m in moves if m["tick"] >= self.cut(source)]
        moves = sorted(moves, key=lambda m: m["tick"])
        for i, move in enumerate(moves):
            if move["place"] == "discarded":
                return moves[: i + 1]
        return moves

    def first_packaging(self, source: int) -> str | None:
        while self.parent(source) is not None:
            source = self.parent(source)
        return self.unit.sources[source]["packaging"]

    def place_logged(self, source: int, tick: int) -> str | None:
        place = None
        for move in self.log(source):
            if move["tick"] <= tick and move["place"] is not None:
                place = move["place"]
        return place

    def spoken(self, logger: Any) -> dict[int, tuple[float, bool]]:
        """Tick → (°C in its middle, thawed), for each tick the logger's readings cover."""
        if logger not in self.heard:
            self.heard[logger] = self._spoken(logger)
        return self.heard[logger]

    def _spoken(self, logger: Any) -> dict[int, tuple[float, bool]]:
        mine = {r["tick"]: r["temperature"] for r in self.unit.readings if r["of"] == logger}
        found: dict[int, tuple[float, bool]] = {}
        state = False
        for x in range(min(mine, default=0), max(mine, default=0)):
            before = max(t for t in mine if t <= x)
            after = min(t for t in mine if t > x)
            if (after - before) * self.unit.tick / 60 > self.rules.longest_reading_gap_h:
                state = False
                continue
            if x - 1 not in found:
                state = mine[x] > self.rules.thawed_above_c
            degrees = mine[before] + (mine[after] - mine[before]) * (x + 0.5 - before) / (
                after - before
            )
            if degrees > self.rules.thawed_above_c:
                state = True
            if degrees < self.rules.frozen_below_c:
                state = False
            found[x] = (degrees, state)
        return found

    def heard_of(self, source: int, x: int) -> tuple[float, bool] | None:
        """What a logger that travels with the source tells of a tick, inherited or its own."""
        while True:
            if self.parent(source) is None or x >= self.cut(source):
                return self.spoken(source).get(x)
            source = self.parent(source)

    def heard_in(self, move: dict[str, Any] | None, x: int) -> tuple[float, bool] | None:
        return None if move is None else self.spoken(self.name(move)).get(x)

    def name(self, move: dict[str, Any]) -> str:
        return move.get("name") or move["place"]

    def is_read(self, source: int, move: dict[str, Any] | None) -> bool:
        """Whether readings name the place, or cover any time of the source."""
        return source in self.travelled or (move is not None and self.name(move) in self.named)

    def logged_thaws(self, source: int) -> list[tuple[int, float]]:
        """Counted stays outside as (start, end)."""
        return [(start, end) for start, end, _ in self.thaws_on_record(source)]

    def thaws_on_record(self, source: int) -> list[tuple[int, float, bool]]:
        """Counted stays outside, and thaws shown in the freezer: (start, end, shown)."""
        marks: list[tuple[int, int, str, bool]] = []  # tick, order, place, thawed
        log = [m for m in self.log(source) if m["place"] is not None]
        for order, move in enumerate(log):
            x, last = move["tick"], move["tick"]
            if order + 1 < len(log):
                last = log[order + 1]["tick"]
            elif self.unit.readings:
                last = max([x] + [r["tick"] for r in self.unit.readings]) + 2
            for y in range(x, max(last, x + 1)):
                said = self.heard_of(source, y) or self.heard_in(move, y)
                thawed = move["place"] == "freezer" and said is not None and said[1]
                marks.append((y, order, move["place"], thawed))
        was_frozen, left, shown, stays = False, None, False, []
        for x, _, place, thawed in marks:
            outside = place in ("refrigerator", "ambient") or thawed
            if outside and was_frozen:
                left, shown = x, thawed
            if not outside and left is not None:
                stays.append((left, x, shown))
                left = None
            was_frozen = place == "freezer" and not thawed
        if left is not None:
            stays.append((left, float("inf"), shown))
        hours = self.unit.tick / 60
        return [s for s in stays if (s[1] - s[0]) * hours >= self.rules.thaw_after_h]

    def moment(self, trial: dict[str, Any]) -> int:
        """The trial's start; with a date alone, the first tick of that day it can have been out."""
        source, start = trial["source"], trial["tick"]
        if source is None or not self.unit.dated(trial):
            return int(start)
        day = range(start, start + 1440 // self.unit.tick)
        for place in ("ambient", "refrigerator"):
            for x in day:
                if self.place_logged(source, x) == place:
                    return x
        return next((x for x in day if self.shown_thawed(source, x)), start)

    def shown_thawed(self, source: int, x: int) -> bool:
        """Whether a logger shows a thaw while the log says freezer."""
        at = [m for m in self.log(source) if m["place"] is not None and m["tick"] <= x]
        if not at or at[-1]["place"] != "freezer":
            return False
        said = self.heard_of(source, x) or self.heard_in(at[-1], x)
        return said is not None and said[1]

    def unlogged(self, source: int) -> list[tuple[int, int]]:
        """(start, set ticks) of trials while the log says freezer."""
        if self.rules.unlogged_thaws == "strict":
            return []
        found = [(self.moment(t), t["set"] or 0) for t in self.unit.trials if t["source"] == source]
        if self.parent(source) is not None:
            found += [t for t in self.unlogged(self.parent(source)) if t[0] <= self.cut(source)]
        return [t for t in found if self.place_logged(source, t[0]) == "freezer"]

    def day(self, tick: float) -> pd.Timestamp | None:
        return None if tick == float("inf") else self.unit.time(int(tick)).normalize()

    def thaws(self, source: int) -> tuple[list[tuple[float, str]], list[tuple[int, int]]]:
        """Counted thaws as (moment, how known), and the windows in which the source was out."""
        margin = 120 // self.unit.tick
        record = self.thaws_on_record(source)
        how = ["shown" if shown else "logged" for _, _, shown in record]
        logged = self.logged_thaws(source)
        moments = [start for start, _ in logged]
        inferred, windows = [], []
        trials = self.unlogged(source)
        for day in sorted({self.day(t) for t, _ in trials}):
            todays = [(t - s - margin, t + margin) for t, s in trials if self.day(t) == day]
            windows += todays
            first = min(
                x
                for begin, end in todays
                for x in range(begin, end)
                if self.place_logged(source, x) == "freezer"
            )
            same = [
                i
                for i, stay in enumerate(logged)
                if any(
                    self.day(bound) == day and begin <= bound <= end
                    for bound in stay
                    for begin, end in todays
                )
                or any(stay[0] <= t < stay[1] for t, _ in trials if self.day(t) == day)
            ]
            if same:
                moments[same[0]] = min(moments[same[0]], first)
            else:
                inferred.append(first)
        counted = [*zip(moments, how, strict=True), *((m, "inferred") for m in inferred)]
        return counted, windows

    def regime(self, share: float | None) -> str | None:
        if share is None:
            return None
        return "frozen" if share >= 0.8 else "refrigerated" if share <= 0.2 else "mixed"

    def state(self, source: int, until: int) -> dict[str, Any]:
        """Every exposure by tick ``until``."""
        rules, log = self.rules, self.log(source)
        if source not in self.thawed:
            self.thawed[source] = self.thaws(source)
        thaws, windows = self.thawed[source]
        defaults = {"freezer": -18.0, "refrigerator": 4.0, "ambient": 20.0}
        spent = dict.fromkeys(defaults, 0)
        warmth = freeze = longest = opened = undocumented = 0.0
        covered = gap = 0
        doubtful, at = False, None
        begin = min([until, self.cut(source), *(m["tick"] for m in log)])
        place, temperature = None, None
        packaging = self.first_packaging(source)
        todo = list(log)
        for x in range(begin, until + 1):
            while todo and todo[0]["tick"] <= x:
                move = todo.pop(0)
                packaging = move["packaging"] or packaging
                if move["place"] is None:
                    continue
                place, temperature, at = move["place"], move["temperature"], move
                if place != "freezer":
                    freeze = 0
            out = place == "freezer" and any(a <= x < b for a, b in windows)
            now = "ambient" if out else place
            if out:
                freeze = 0
            if x == until:
                break
            if place is None and x >= self.cut(source):
                undocumented += 1
            if now in spent:
                spent[now] += 1
                degrees = defaults[now] if out or np.isnan(temperature) else temperature
                said = self.heard_of(source, x) or (None if out else self.heard_in(at, x))
                covered += said is not None
                gap += said is None and self.is_read(source, None if out else at)
                warmth += max((degrees if said is None else said[0]) - rules.base_c, 0)
            if now == "freezer":
                freeze += 1
                longest = max(longest, freeze)
                opened += packaging in ("vented", "open")
                doubtful |= packaging is None
        hour, day = self.unit.tick / 60, self.unit.tick / 1440
        done = [moment for moment, _ in thaws if moment <= until]
        kept = spent["freezer"] + spent["refrigerator"]
        share = spent["freezer"] / kept if kept else None
        held = (until - self.cut(source)) * day
        exposures = {
            "held_days": held,
            "age_days": held + self.age_then(source),
            "cycles": len(done),
            "frozen_days": spent["freezer"] * day,
            "refrigerated_days": spent["refrigerator"] * day,
            "ambient_hours": spent["ambient"] * hour,
            "degree_hours": warmth * hour,
            "hours_since_thaw": (until - max(done)) * hour if done else None,
            "longest_freeze_days": longest * day,
            "open_frozen_days": None if doubtful or packaging is None else opened * day,
            "frozen_share": share,
            "regime": self.regime(share),
            "undocumented_days": undocumented * day,
            "inferred_thaws": sum(m <= until for m, how in thaws if how == "inferred"),
            "documented": place not in (None, "discarded"),
            "place": now,
        }
        if self.unit.readings:
            exposures["read_thaws"] = sum(m <= until for m, how in thaws if how == "shown")
            exposures |= {"read_hours": covered * hour, "reading_gap_hours": gap * hour}
        return exposures


@pytest.mark.slow
@often
@given(st.one_of(units(), read_units()))
def test_exposures_are_those_of_a_tick_walk(unit: Unit) -> None:
    got = unit.exposures()
    walk = Walk(unit)
    _, _, trials = unit.frames()
    history = storage_history(*unit.frames(), unit.rules, unit.readings_frame())
    moments = [unit.time(walk.moment(trial)) for trial in unit.trials]
    assert history.moments_of(trials).tolist() == moments
    expected = pd.DataFrame([walk.state(source, tick) for source, tick in unit.asked])
    assert list(got.columns) == list(expected.columns)
    for name in got:
        if name in ("regime", "place", "documented"):
            assert got[name].tolist() == expected[name].tolist(), name
        else:
            np.testing.assert_allclose(
                got[name].to_numpy(dtype=float),
                expected[name].to_numpy(dtype=float),
                rtol=EXACT,
                atol=EXACT,
                err_msg=name,
            )


@pytest.mark.slow
@often
@given(units(), st.lists(st.integers(-60, 1200), min_size=2, max_size=8))
def test_exposures_never_fall_with_time(unit: Unit, ticks: list[int]) -> None:
    history = storage_history(*unit.frames(), unit.rules)
    for source in range(len(unit.sources)):
        asked = replace(unit, asked=[(source, tick) for tick in sorted(ticks)])
        found = exposure_at(history, *asked.questions())
        steps = found[list(NEVER_FALL)].diff().iloc[1:]
        # A sum of stays may round down by the last digit between two moments.
        assert (steps >= -EXACT).all(axis=None)


@pytest.mark.slow
@often
@given(units(), st.data(), st.sampled_from(["strict", "infer"]))
def test_later_move_changes_no_earlier_exposure(unit: Unit, data: st.DataObject, policy) -> None:
    # The stay outside whose end is not logged looks ahead: here every stay outside counts.
    rules = replace(unit.rules, thaw_after_h=0.0, unlogged_thaws=policy)
    unit = replace(unit, rules=rules, moves=[m for m in unit.moves if m["place"] != "discarded"])
    move, (source, tick) = data.draw(later_moves(unit))
    if policy == "infer":
        # So does a trial: for two hours, and with a date alone to the end of its day.
        clear, day = tick - 120 // unit.tick, 1440 // unit.tick
        before = [t for t in unit.trials if t["tick"] + day * unit.dated(t) < clear]
        unit = replace(unit, trials=before)
    later = replace(unit, moves=[*unit.moves, move])
    asked = [(source, x) for x in range(tick - 50, tick)]
    pd.testing.assert_frame_equal(
        replace(unit, asked=asked).exposures(), replace(later, asked=asked).exposures()
    )


@st.composite
def later_moves(draw: st.DrawFn, unit: Unit) -> tuple[dict[str, Any], tuple[int, int]]:
    """A move after all others, with its source and moment."""
    source = draw(st.integers(0, len(unit.sources) - 1))
    last = max([m["tick"] for m in unit.moves] + [0])
    tick = last + draw(st.integers(1, 300))
    move = {
        "source": source,
        "tick": tick,
        "place": draw(st.sampled_from(["freezer", "refrigerator", "ambient", "discarded"])),
        "temperature": np.nan,
        "packaging": draw(st.sampled_from([None, "sealed", "open"])),
    }
    return move, (source, tick)


@pytest.mark.slow
@often
@given(units(), st.randoms(use_true_random=False))
def test_the_order_of_rows_does_not_matter(unit: Unit, random: Random) -> None:
    frames = unit.frames()
    ids, times = unit.questions()
    expected = exposure_at(storage_history(*frames, unit.rules), ids, times)

    def shuffled(frame: pd.DataFrame) -> pd.DataFrame:
        return frame.iloc[random.sample(range(len(frame)), len(frame))]

    history = storage_history(*map(shuffled, frames), unit.rules)
    order = random.sample(range(len(ids)), len(ids))
    got = exposure_at(history, ids.iloc[order], times.iloc[order])
    pd.testing.assert_frame_equal(got.sort_index(), expected, check_exact=True)


@pytest.mark.slow
@often
@given(units())
def test_portion_starts_with_its_parents_past(unit: Unit) -> None:
    # Where every stay outside is a thaw and no trial proves one: either can look beyond the cut.
    unit = replace(unit, trials=[])
    pairs = [(i, s["parent"]) for i, s in enumerate(unit.sources) if s["parent"] is not None]
    assume(pairs)
    unit = replace(
        unit,
        moves=[m for m in unit.moves if m["place"] != "discarded"],
        rules=replace(unit.rules, thaw_after_h=0.0),
    )
    cut = [Walk(unit).cut(child) for child, _ in pairs]
    own = {(child, tick) for (child, _), tick in zip(pairs, cut, strict=True)}
    first = {child: tick for child, tick in own}
    unit = replace(
        unit, moves=[m for m in unit.moves if m["tick"] > first.get(m["source"], -(10**9))]
    )
    child = replace(unit, asked=[(c, t) for (c, _), t in zip(pairs, cut, strict=True)])
    parent = replace(unit, asked=[(p, t) for (_, p), t in zip(pairs, cut, strict=True)])
    kept = [
        name
        for name in EXPOSURES
        if name not in ("held_days", "age_days", "undocumented_days", "open_frozen_days")
    ]
    pd.testing.assert_frame_equal(child.exposures()[kept], parent.exposures()[kept])


@often
@given(units())
def test_times_add_up_to_the_time_held(unit: Unit) -> None:
    whole = [s["parent"] is None for s in unit.sources]
    cut = Walk(unit).cut
    moves = [m for m in unit.moves if m["place"] != "discarded" and m["tick"] >= cut(m["source"])]
    asked = [(s, t) for s, t in unit.asked if whole[s] and t >= cut(s)]
    assume(asked)
    found = replace(unit, moves=moves, asked=asked).exposures()
    total = found["frozen_days"] + found["refrigerated_days"] + found["ambient_hours"] / 24
    np.testing.assert_allclose(
        total + found["undocumented_days"], found["held_days"], rtol=EXACT, atol=EXACT
    )
