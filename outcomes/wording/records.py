"""What the records lack or leave in doubt, in one line for who reads the briefing alone."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from outcomes.analysis.finds.cycles_or_age import SOME_MISSING
from outcomes.analysis.finds.other_trials import LOGGED_FROM_THE_START
from outcomes.analysis.finds.terms import UNLOGGED
from outcomes.analysis.finds.usable_trials import on_late_logs, unassisted_hides
from outcomes.answers.facts import Facts
from outcomes.exposure.cycles_and_age import CYCLES, CYCLES_AND_AGE, NAME_OF
from outcomes.exposure.stays import History
from outcomes.records.checking.rules import LATE_LOG_DAYS
from outcomes.records.tables import Finding
from outcomes.text import count

ALIKE = "spellings alike"
_MANY = 0.05  # of the trials, or of the moves: so many set aside are told before the answer
# Rows whose loss takes nothing from the count of thaws.
_NO_LOSS = ("source set aside", "total row")
# Its thaws are counted on their own, or its trials are among the rows set aside.
_TOLD_ELSEWHERE = ("trial while in the freezer", "storage log begins late")
_ONE_OF = {"source_id": "source", "dog_id": "dog", "place_id": "place", "handler_id": "handler"}


@dataclass(frozen=True, slots=True)
class Noted:
    """What ``check`` notes of rows that are used.

    Attributes
    ----------
    trials_in, trials_aside
        Trials handed over, and those of them that are set aside.
    trials_aside_sentence
        That in words where they are many; where they are few, ``sentence`` has it.
    hides, undocumented
        Trials with a source by unhelped dogs, and those of them that are not in the
        answer because the storage log does not say where the source was by then.
    undocumented_sentence
        That in words where they are many; None where they are few.
    moves_in, moves_aside
        Moves handed over in the storage log, and those of them that are set aside
        though their source is used: each may be a thaw that is not counted.
    moves_aside_sentence
        That in words where they are many; where they are few, ``sentence`` has it.
    inferred_thaws
        Thaws that the log lacks and that were counted because a trial proves
        them; one inherited by a portion is counted with its parent alone.
    late_logs, trials_after
        Sources whose storage log begins more than 30 days after they were taken
        in, among those tried; and the trials on them. What they went through
        before counts as no thaw.
    late_logs_sentence
        That in words; None where there is none.
    spellings_alike
        Column → pairs of its values that may be two spellings of one.
    other_notes
        Further notes.
    sentence
        All of it in one line; None where there is nothing to say.
    """

    trials_in: int
    trials_aside: int
    trials_aside_sentence: str | None
    hides: int
    undocumented: int
    undocumented_sentence: str | None
    moves_in: int
    moves_aside: int
    moves_aside_sentence: str | None
    inferred_thaws: int
    late_logs: int
    trials_after: int
    late_logs_sentence: str | None
    spellings_alike: Mapping[str, int]
    other_notes: int
    sentence: str | None

    @property
    def before(self) -> list[str]:
        """What is told before the answer."""
        told = (
            *(self.trials_aside_sentence, self.undocumented_sentence),
            *(self.moves_aside_sentence, self.late_logs_sentence),
        )
        return [sentence for sentence in told if sentence]


def records_noted(facts: Facts) -> Noted:
    """Count what a director who never runs ``check`` would not learn.

    Parameters
    ----------
    facts
        The unit's facts.
    """
    notes = [f for f in facts.records.findings if f.severity == "note"]
    alike = Counter(f.column or "" for f in notes if f.rule == ALIKE)
    thaws = _inferred(facts.joined.history, facts.records.sources)
    # Several dogs may be tried on one such thaw: check has a line for each trial.
    trials = sum(f.rule == _TOLD_ELSEWHERE[0] for f in notes)
    joined = facts.joined.trials
    used = facts.fit.design.trials if facts.fit.n else unassisted_hides(joined)
    used = used[used["documented"].fillna(False).astype(bool)]
    late = used[on_late_logs(used)]
    logs = (int(late["source_id"].nunique()), len(late))
    # Late logs are told before the answer only where the answer rests on such sources.
    elsewhere = _TOLD_ELSEWHERE if len(late) else _TOLD_ELSEWHERE[:1]
    others = sum(f.rule not in (ALIKE, *elsewhere) for f in notes)
    hides = unassisted_hides(joined)
    silent = ~hides["documented"].fillna(False).astype(bool)
    undocumented = (len(hides), int(silent.sum()))
    totals = {(f.table, f.file, f.row) for f in facts.set_aside if f.rule == "total row"}
    handed = {
        table: facts.records.rows_in.get(table, 0) - sum(home == table for home, *_ in totals)
        for table in ("trials", "storage")
    }
    aside = {table: _reasons_aside(facts, table) for table in handed}
    many = {table: len(aside[table]) >= _MANY * handed[table] for table in handed}
    few = {table: 0 if many[table] else len(aside[table]) for table in handed}
    told = {
        table: sentence(len(aside[table]), handed[table], *_commonest(aside[table]))
        for table, sentence in (
            ("trials", describe_trials_aside),
            ("storage", describe_moves_aside),
        )
        if aside[table] and many[table]
    }
    return Noted(
        handed["trials"],
        len(aside["trials"]),
        told.get("trials"),
        *undocumented,
        describe_undocumented(*undocumented),
        handed["storage"],
        len(aside["storage"]),
        told.get("storage"),
        thaws,
        *logs,
        describe_late_logs_noted(
            *logs,
            len(used),
            facts.fit.term(UNLOGGED) is not None,
            _without_those(facts),
            answered=facts.verdict.verdict != "too few trials",
        ),
        dict(alike),
        others,
        describe_notes(
            thaws,
            alike,
            others,
            trials,
            aside=(few["trials"], handed["trials"]),
            moves=(few["storage"], handed["storage"]),
        ),
    )


def _reasons_aside(facts: Facts, table: str) -> list[str]:
    """Why each row of a table is set aside: its first finding, as on the page."""
    first: dict[tuple[str, int | None], Finding] = {}
    for finding in facts.set_aside:
        if finding.table == table:
            first.setdefault((finding.file, finding.row), finding)
    harmless = _NO_LOSS if table == "storage" else _NO_LOSS[1:]
    return [finding.problem for finding in first.values() if finding.rule not in harmless]


def _commonest(reasons: Sequence[str]) -> tuple[str, int]:
    return Counter(reasons).most_common(1)[0]


def describe_trials_aside(aside: int, handed: int, reason: str, same: int) -> str:
    """That many trials are not in the answer, with the commonest reason.

    Parameters
    ----------
    aside, handed
        Trials set aside, of so many handed over.
    reason, same
        The commonest reason, and how many have it; told where it is that of most.

    >>> describe_trials_aside(40, 100, "the date can be read two ways", 30)
    '40 of the 100 trials handed over are not in this answer. The reason for most: the date can be \
read two ways. Mend that first, and ask again: outcomes check says how.'
    """
    are = "is" if aside == 1 else "are"
    return (
        f"{aside:,} of the {count(handed, 'trial')} handed over {are} not in this answer."
        f"{_why(aside, reason, same)} {_MEND_FIRST}"
    )


_MEND_FIRST = "Mend that first, and ask again: outcomes check says how."


def _why(aside: int, reason: str, same: int) -> str:
    """The commonest reason, where it is that of most."""
    if same <= aside / 2:
        return ""
    return f" The reason{' for most' if same < aside else ''}: {reason}."


def describe_undocumented(hides: int, undocumented: int) -> str | None:
    """That the storage log is silent on many trials; None where they are few.

    >>> describe_undocumented(1020, 470)[:60]
    '470 of the 1,020 hide trials are not in this answer: the sto'
    >>> describe_undocumented(1020, 50)
    """
    if not undocumented or undocumented < _MANY * hides:
        return None
    are = "is" if undocumented == 1 else "are"
    return (
        f"{undocumented:,} of the {count(hides, 'hide trial')} {are} not in this answer: the "
        "storage log does not say where the source was by then. Log the earlier moves, if they are "
        "written down anywhere, and ask again."
    )


def describe_moves_aside(aside: int, handed: int, reason: str, same: int) -> str:
    """That many moves are not in the count of thaws; as :func:`describe_trials_aside`.

    >>> describe_moves_aside(40, 400, "not a date or time", 40)[:91]
    '40 of the 400 moves in the storage log could not be used, so thaws may be missing from the '
    """
    return (
        f"{aside:,} of the {count(handed, 'move')} in the storage log could not be used, so thaws "
        f"may be missing from the cycles told here.{_why(aside, reason, same)} {_MEND_FIRST}"
    )


def _without_those(facts: Facts) -> str:
    """Whether the answer stays without the sources whose log begins late; empty if not asked."""
    ways = facts.ways_known
    if ways is None:
        return ""
    name = NAME_OF.get(facts.verdict.verdict, CYCLES.name)
    rows = (row for row in ways.of(name) if row.name == LOGGED_FROM_THE_START)
    row = next(rows, None)
    if row is None:
        return ""
    if row.log_odds is None or row.low is None or row.high is None:
        return f" Whether it stays without those sources cannot be asked: {row.reason}."
    unsure = row.low < 0.0 < row.high
    if facts.verdict.verdict == "no change detected":
        shows = "no change with cycles shows either" if unsure else "a change with cycles shows"
        return f" Without those sources {shows}."
    main = facts.fit.term(name)
    same = main is not None and row.log_odds * main.log_ratio > 0.0
    way = "the same way" if same else "the other way"
    but = ", but no change would fit too" if unsure else ""
    return f" Without those sources the finds change {way} with {CYCLES_AND_AGE[name].noun}{but}."


def describe_late_logs_noted(
    sources: int,
    trials: int,
    hides: int,
    allowed_for: bool = False,
    without: str = "",
    *,
    answered: bool = True,
) -> str | None:
    """What a storage log that begins late takes from the answer; None where none does.

    Parameters
    ----------
    sources, trials
        Sources whose log begins late, and the trials on them, of so many ``hides`` used.
    allowed_for
        Whether the model has a term for how long each went unlogged.
    without
        What is found without those sources, as a sentence.
    answered
        Whether there is an answer to rely on.

    >>> describe_late_logs_noted(1, 40, 100)[:80]
    'The storage log of 1 source begins more than 30 days after it was taken in, so i'
    """
    if not sources:
        return None
    one = sources == 1
    told = (
        f"The storage log of {count(sources, 'source')} begins more than {LATE_LOG_DAYS} days "
        f"after {'it was' if one else 'they were'} taken in, so {'its' if one else 'their'} cycles "
        f"may be counted too low, in {trials:,} of the {count(hides, 'trial')} used"
    )
    if trials < SOME_MISSING * hides:
        return f"{told}. They are few beside the rest; log the earlier moves, if they are known."
    mend = (
        "If the earlier moves are written down anywhere, enter them; if not, go by each of those "
        "sources' own finds."
    )
    if not answered:
        return f"{told}. {mend}"
    if allowed_for:
        return (
            f"{told}. The answer allows for the time that went unlogged, as well as that can be "
            f"done.{without} {mend}"
        )
    return (
        f"{told}, and thaws that are not counted can look like an effect of age, since old sources "
        "have most of them. So do not rely on the answer, nor on a limit by cycles or by age."
        f"{without} {mend}"
    )


def _inferred(history: History, sources: pd.DataFrame) -> int:
    thaws = history.thaws_frame()
    thaws = thaws[thaws["inferred"].astype(bool)]
    if "parent_id" not in sources:
        return len(thaws)
    portions = sources[sources["parent_id"].notna()].set_index("source_id")["acquired_on"]
    inherited = thaws["at"] < thaws["source_id"].map(portions)
    return int((~inherited).sum())


def describe_notes(
    thaws: int,
    alike: Mapping[str, int],
    others: int,
    trials: int = 0,
    aside: tuple[int, int] = (0, 0),
    moves: tuple[int, int] = (0, 0),
) -> str | None:
    """Rows set aside, inferred thaws, names that may be one, and how many other notes there are.

    ``trials``: those that show the thaws, as far as they are known to be noted; ``aside`` and
    ``moves``: trials, and moves of the storage log, set aside, of so many handed over.

    >>> describe_notes(1, {"dog_id": 1}, 0, 1)
    '1 thaw is not in the log and was counted because a trial shows it; 2 names may be two \
spellings of one dog: run outcomes check.'
    >>> describe_notes(0, {}, 3)
    'The records bear 3 notes: run outcomes check.'
    """
    parts = []
    for (lost, handed), row, ending in (
        (aside, "trial", ""),
        (moves, "storage move", ", so thaws may be missing from the count"),
    ):
        if lost:
            are = "is" if lost == 1 else "are"
            parts.append(f"{lost:,} of {count(handed, row)} {are} set aside{ending}")
    if thaws:
        verbs, them = (
            ("is", "was") if thaws == 1 else ("are", "were"),
            "it" if thaws == 1 else "them",
        )
        show = f"{trials:,} trials show" if trials > 1 else "a trial shows"
        told = f"{verbs[0]} not in the log and {verbs[1]} counted because {show} {them}"
        parts.append(f"{count(thaws, 'thaw')} {told}")
    for column, pairs in alike.items():
        may = "2 names may be" if pairs == 1 else f"{pairs:,} pairs of names may each be"
        parts.append(f"{may} two spellings of one {_ONE_OF.get(column, column)}")
    if not parts and not others:
        return None
    if not parts:
        return f"The records bear {count(others, 'note')}: run outcomes check."
    more = f", which has {count(others, 'other note')} too" if others else ""
    return f"{'; '.join(parts)}: run outcomes check{more}."


def describe_records_in_short(hides: pd.DataFrame, sources: int) -> str:
    """How many hide trials there are, and how many of them were missed."""
    misses = int((hides["result"] == "miss").sum())
    told = f"{count(len(hides), 'hide trial')} of {count(sources, 'source')}"
    return f"All {told}, {misses:,} of them missed: when, and from where"


def describe_days_on_record(stays: pd.DataFrame, sources: int, shown: int) -> str:
    """How many of the days the sources were held are on record, and which sources are drawn."""
    days = (stays["end"] - stays["start"]).dt.total_seconds() / 86_400.0
    gone = float(days[stays["place"].isna()].sum() / days.sum())
    share = "less than 1" if 0.0 < gone < 0.005 else f"{100.0 * gone:.0f}"
    gap = (
        "Every day of every source is on record."
        if gone == 0.0
        else f"Of all days the sources were held, {share} in 100 are not on record (hatched)."
    )
    if shown < sources:
        return f"{gap} Drawn: the {shown} sources with the most trials, of {sources:,}."
    return gap
