"""What ``import outcomes`` offers, as a person in a notebook uses it."""

from __future__ import annotations

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

import outcomes as oc
from outcomes.answers.facts import gather_facts
from outcomes.api.finds import Finds
from outcomes.api.result import MOST_ROWS, Result
from outcomes.api.unit import Joined, Unit
from outcomes.errors import RecordsError, SettingValueError

UNIT = "synthetic_data"


@pytest.fixture(scope="module")
def unit() -> Unit:
    return oc.read(UNIT)


@pytest.fixture(scope="module")
def joined(unit: Unit) -> Joined:
    return unit.join()


@pytest.fixture(scope="module")
def finds(joined: Joined) -> Finds:
    return oc.fit_finds(joined)


@pytest.fixture(scope="module")
def results(finds: Finds, joined: Joined) -> list[Result]:
    return [
        *(joined, finds, oc.which_predicts(finds), oc.find_threshold(finds), oc.shelf(finds)),
        *(oc.compare_storage(finds), oc.fit_lifetimes(joined)),
    ]


def test_tab_shows_the_public_names_alone() -> None:
    assert dir(oc) == sorted(oc.__all__)


class TestFrames:
    """Frames of one's own."""

    def test_are_read_as_files_are(self, unit: Unit) -> None:
        tables = {name: pd.read_csv(f"{UNIT}/{name}.csv")
                  for name in ("sources", "trials", "storage", "dogs", "inspections")}  # fmt: skip
        before = {name: frame.copy() for name, frame in tables.items()}
        given = oc.from_frames(**tables, settings=oc.load_settings(UNIT))
        for name, frame in tables.items():
            pd.testing.assert_frame_equal(frame, before[name])
            ours, theirs = getattr(given.records, name), getattr(unit.records, name)
            pd.testing.assert_frame_equal(ours.drop(columns="file"), theirs.drop(columns="file"))
        told = [given.problems().drop(columns="file"), unit.problems().drop(columns="file")]
        pd.testing.assert_frame_equal(*told)

    def test_of_several_types_in_a_column_are_taken_as_written(self) -> None:
        sources = pd.DataFrame(
            {"source_id": ["A", 2], "kind": ["bone", "blood"], "acquired_on": ["2025-01-01"] * 2}
        )
        trials = pd.DataFrame(
            {"started_at": [pd.Timestamp("2025-03-01 09:00")], "dog_id": ["Fern"],
             "source_id": ["2"], "result": ["find"]}
        )  # fmt: skip
        given = oc.from_frames(sources=sources, trials=trials)
        assert given.records.sources["source_id"].tolist() == ["A", "2"]
        assert len(given.join().trials) == 1

    def test_without_a_column_say_so_and_stop_when_joined(self) -> None:
        sources = pd.DataFrame({"source_id": ["A"], "kind": ["bone"]})
        trials = pd.DataFrame(
            {"started_at": ["2025-03-01"], "dog_id": ["F"], "source_id": ["A"], "result": ["find"]}
        )
        given = oc.from_frames(sources=sources, trials=trials)
        stops = given.problems().query("severity == 'stops'")
        assert stops["column"].tolist() == ["acquired_on"]
        assert "would stop the work" in repr(given)
        with pytest.raises(RecordsError, match="acquired_on"):
            given.join()

    def test_that_are_no_frames_are_refused(self) -> None:
        with pytest.raises(TypeError, match="trials is a list"):
            oc.from_frames(sources=pd.DataFrame(), trials=[])  # type: ignore[arg-type]


class TestEveryResult:
    """What a notebook shows."""

    def test_prints_in_under_30_lines(self, results: list[Result]) -> None:
        for result in results:
            lines = repr(result).splitlines()
            assert len(lines) < 30, result
            assert lines[0].split()[0] == result.sentence.split()[0]

    def test_shows_as_a_small_table(self, results: list[Result]) -> None:
        for result in results:
            html = result._repr_html_()
            assert html.startswith("<p>")
            assert html.count("<tr") <= MOST_ROWS + 2
            assert len(html) < 12_000

    def test_hands_out_a_frame_of_its_own(self, results: list[Result]) -> None:
        for result in results:
            first, second = result.to_frame(), result.to_frame()
            assert first is not second
            pd.testing.assert_frame_equal(first, second)
            assert len(first)

    def test_takes_only_what_it_is_asked_of(self, joined: Joined, finds: Finds) -> None:
        with pytest.raises(TypeError, match=r"takes what unit.join\(\) gives, not a DataFrame"):
            oc.fit_finds(joined.trials)  # type: ignore[arg-type]
        with pytest.raises(TypeError, match="fit_finds"):
            oc.which_predicts(joined)  # type: ignore[arg-type]
        with pytest.raises(TypeError, match=r"unit\.join"):
            oc.fit_lifetimes(finds)  # type: ignore[arg-type]


class TestFinds:
    """Terms, limits and predictions."""

    def test_limits_at_95_are_those_of_the_terms(self, finds: Finds) -> None:
        limits, term = finds.conf_int().loc["cycles"], finds.term("cycles")
        assert np.exp(limits.tolist()) == pytest.approx([term.low, term.high], rel=1e-9)

    def test_limits_are_wider_at_a_higher_level(self, finds: Finds) -> None:
        narrow, wide = finds.conf_int(0.5), finds.conf_int(0.99)
        assert ((wide["low"] < narrow["low"]) & (wide["high"] > narrow["high"])).all()

    def test_a_level_in_per_cent_is_refused(self, finds: Finds) -> None:
        with pytest.raises(ValueError, match=r"Did you mean 0.95\?"):
            finds.conf_int(95)

    def test_a_term_that_is_not_there_names_the_likely_one(self, finds: Finds) -> None:
        with pytest.raises(KeyError, match="Did you mean 'age_days'"):
            finds.term("age")

    def test_predictions_are_as_many_finds_as_there_were(self, finds: Finds) -> None:
        found = finds.predict()
        fit = finds._facts.fit
        assert found.index.equals(fit.design.trials.index)
        # Fixed effects and levels are fitted to these trials: on average they agree.
        assert found.mean() == pytest.approx(fit.design.y.mean(), abs=0.01)

    def test_a_strange_dog_and_source_are_averaged_over(self, finds: Finds) -> None:
        known = finds._facts.fit.design.trials.head(3)
        strange = known.assign(dog_id="Nobody", source_id=None)
        both = finds.predict(strange), finds.predict(known.drop(columns=["dog_id", "source_id"]))
        pd.testing.assert_series_equal(*both)
        assert not np.allclose(both[0], finds.predict(known))

    def test_more_cycles_give_fewer_finds_here(self, finds: Finds) -> None:
        trial = finds._facts.fit.design.trials.head(1)
        rows = pd.concat([trial.assign(cycles=c) for c in (0.0, 10.0, 40.0)], ignore_index=True)
        assert finds.predict(rows).is_monotonic_decreasing

    def test_summary_says_what_is_left_out_and_why(self, finds: Finds) -> None:
        for left in finds._facts.fit.left_out:
            assert f"left out: {left.term}: {left.reason}" in finds.summary()


class TestAnotherFloor:
    """The same fit at another floor or day."""

    def test_answers_as_if_it_had_been_the_first(self, unit: Unit, finds: Finds) -> None:
        ours = oc.find_threshold(finds, floor=0.8, confidence=0.95)
        decisions = unit.settings.decisions.with_options(floor=0.8, confidence=0.95)
        anew = gather_facts(unit.records, decisions)
        assert ours.sentence == oc.find_threshold(Finds(anew)).sentence
        pd.testing.assert_frame_equal(
            ours.to_frame(), oc.find_threshold(Finds(anew)).to_frame(), rtol=1e-9
        )
        pd.testing.assert_frame_equal(
            oc.shelf(finds, floor=0.8).to_frame().drop(columns=["low", "high"]),
            oc.shelf(Finds(gather_facts(unit.records, decisions.with_options(confidence=0.9))))
            .to_frame().drop(columns=["low", "high"]),
            rtol=1e-9,
        )  # fmt: skip

    def test_changes_nothing_in_what_was_handed_on(self, finds: Finds) -> None:
        before = oc.find_threshold(finds).to_frame()
        oc.find_threshold(finds, floor=0.7)
        pd.testing.assert_frame_equal(oc.find_threshold(finds).to_frame(), before)

    def test_in_per_cent_is_refused(self, finds: Finds) -> None:
        with pytest.raises(SettingValueError, match=r"perhaps 0.90"):
            oc.find_threshold(finds, floor=90)
        with pytest.raises(SettingValueError, match="floor"):
            oc.shelf(finds, floor=90)

    def test_a_day_that_is_none_is_refused(self, finds: Finds) -> None:
        with pytest.raises(ValueError, match="is not a date"):
            oc.shelf(finds, as_of="spring")


class TestPlots:
    """Drawing into a person's axes."""

    def test_draw_into_the_axes_given_and_touch_nothing_else(
        self, finds: Finds, joined: Joined
    ) -> None:
        before = dict(mpl.rcParams)
        for plot in (
            *(finds.plot, oc.find_threshold(finds).plot, oc.shelf(finds).plot),
            *(oc.compare_storage(finds).plot, oc.fit_lifetimes(joined).plot),
        ):
            figure = Figure()
            ax, other = figure.subplots(1, 2)
            assert plot(ax=ax) is ax
            assert ax.has_data()
            assert not other.has_data()
        assert dict(mpl.rcParams) == before

    def test_the_line_takes_the_persons_style(self, finds: Finds) -> None:
        ax = finds.plot(ax=Figure().subplots(), color="red", linewidth=5)
        assert ax.lines[0].get_color() == "red"
        assert ax.lines[0].get_linewidth() == 5

    def test_the_curve_drawn_is_the_one_handed_out(self, finds: Finds) -> None:
        limit = oc.find_threshold(finds)
        x, y = limit.plot(ax=Figure().subplots()).lines[0].get_data()
        assert np.array_equal(x, limit.curve()["at"])
        assert np.array_equal(y, limit.curve()["find_probability"])

    def test_a_curve_that_is_not_there_is_named(self, finds: Finds) -> None:
        with pytest.raises(KeyError, match="there is no curve by 'age'"):
            finds.plot("age")


class TestPlan:
    """The next trials by lot."""

    def test_prints_power_and_keeps_the_key_to_its_frame(self, joined: Joined) -> None:
        planned = oc.plan(joined, question="storage", weeks=12, seed=3)
        key = planned.to_frame()
        sources = set(key["source_id"].dropna())
        assert len(sources) > 3
        assert not any(name in repr(planned) + planned._repr_html_() for name in sources)
        assert planned.power().query("weeks == 12")["power"].between(0, 1).all()
        ax = Figure().subplots()
        assert planned.plot(ax=ax) is ax

    def test_refuses_what_it_does_not_know(self, joined: Joined) -> None:
        with pytest.raises(KeyError, match="Did you mean 'weeks'"):
            oc.plan(joined, week=12)
        with pytest.raises(SettingValueError, match="weeks"):
            oc.plan(joined, weeks=1000)
