"""Options that commands share, and how they become settings and records."""

from __future__ import annotations

import datetime as dt
import gc
import os
import re
import shlex
import shutil
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, fields, replace
from functools import wraps
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from outcomes.cli.terminal import complain, meter, say
from outcomes.text import KEPT_TOGETHER, Row

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from outcomes.answers.facts import Facts
    from outcomes.answers.request import Asked
    from outcomes.records.tables import Records
    from outcomes.settings import DecisionSettings, PlanSettings, Settings

records_argument = click.argument("records", type=click.Path(path_type=Path), metavar="RECORDS")
settings_option = click.option(
    "--settings",
    "settings_file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The unit's settings; unit.toml beside the records if not given.",
)
plan_option = click.option(
    "--plan",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The key of planned trials; plan.json beside the records if not given.",
)
no_names_option = click.option(
    "--without-names", is_flag=True, help="Codes in the place of dogs, handlers and sources."
)
key_option = click.option(
    "--key",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Where the key to the codes goes (beside DIR).",
)
json_option = click.option(
    "--json", "as_json", is_flag=True, help="One JSON object on standard output, nothing else."
)


# Answers are many small objects that last: looking through them for what could go takes an
# eighth of the time, and one command ends before much has gathered.
COLLECT_SELDOM = (50_000, 20, 50)
_COMMAND = re.compile(
    r"\boutcomes (check|fit|retire|compare|brief)\b"
    r"((?: --draft (?:'[^']*'|\S+)| --out briefing| --[a-z]+)?)"
)
LEAST_PERCENT = 10  # a number beyond it is meant as one of a hundred


class SettingType(click.ParamType):  # type: ignore[type-arg]  # only newer clicks are generic
    """A setting as an option, held to the bounds that stand beside the setting.

    Parameters
    ----------
    setting
        A field of the class of settings.
    share
        Whether it is a share of one, for which a per cent may be written by mistake.
    of
        Name of the class, in :mod:`outcomes.settings`.
    """

    def __init__(self, setting: str, *, share: bool = False, of: str = "DecisionSettings") -> None:
        self.name = "number" if share else "integer"
        self._setting = setting
        self._share = share
        self._of = of

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float | int:
        """The value as the setting keeps it."""
        from outcomes import settings
        from outcomes.errors import SettingValueError

        percent = _percent(value) if self._share else None
        if percent is not None:
            self.fail(f"{value} is not a share of one: write {percent / 100:.2f}.", param, ctx)
        try:
            number: float | int = settings.check_setting(
                getattr(settings, self._of), self._setting, value, written=True
            )
        except SettingValueError as error:
            self.fail(error.problem.removeprefix("= "), param, ctx)
        return number


def _percent(value: Any) -> float | None:
    """The number of a per cent ("90", "90 %"), where that is what was written."""
    text = str(value).strip()
    try:
        number = float(text.removesuffix("%").replace(",", "."))
    except ValueError:
        return None
    least = 0 if text.endswith("%") else LEAST_PERCENT
    return number if least < number < 100 else None


def called_as() -> str:
    """The command as this person calls it: ``outcomes``, or the path that was typed."""
    typed = sys.argv[0] if sys.argv else ""
    if not Path(typed).name.startswith("outcomes"):
        return "outcomes"
    found = shutil.which("outcomes")
    if os.sep not in typed or (
        found is not None and Path(found).resolve() == Path(typed).resolve()
    ):
        return "outcomes"
    return typed


either_option = click.option(
    "--either",
    nargs=2,
    type=click.FloatRange(min=1.0, max=1e6),
    metavar="CYCLES MONTHS",
    help="Price a rule by both, whichever comes first: --either 20 18.",
)


seed_option = click.option("--seed", type=SettingType("seed"), help="Seed of everything random.")


@dataclass(frozen=True, slots=True)
class UnitOptions:
    """What every command that answers is told: whose records, and what goes before the settings.

    Attributes
    ----------
    records, settings_file
        Where the records are, and the settings if not beside them.
    floor, confidence, seed
        As in the settings, which they go before; None where not given.
    plan
        The key of planned trials, if not beside the records.
    """

    records: Path
    settings_file: Path | None = None
    floor: float | None = None
    confidence: float | None = None
    seed: int | None = None
    plan: Path | None = None

    def settings(self) -> Settings:
        """The unit's settings with what was given instead."""
        from outcomes.records.unit_file import load_settings

        settings = load_settings(self.records, self.settings_file)
        decisions = settings.decisions.with_options(
            floor=self.floor, confidence=self.confidence, seed=self.seed
        )
        return replace(settings, decisions=decisions)


def analysis_options(function: Callable[..., Any]) -> Callable[..., Any]:
    """RECORDS, --settings, --plan, --floor, --confidence, --seed and --json."""
    return unit_options(json_option(function))


def unit_options(function: Callable[..., Any]) -> Callable[..., Any]:
    """RECORDS, --settings, --plan, --floor, --confidence, --seed, handed on as ``unit``."""

    @wraps(function)
    def command(**given: Any) -> Any:
        unit = UnitOptions(**{of.name: given.pop(of.name) for of in fields(UnitOptions)})
        return function(unit=unit, **given)

    for decorate in (
        seed_option,
        click.option(
            "--confidence",
            type=SettingType("confidence", share=True),
            help="Confidence of the threshold's interval, two-sided (0.90).",
        ),
        click.option(
            "--floor",
            type=SettingType("floor", share=True),
            help="Lowest acceptable find probability (0.85).",
        ),
        plan_option,
        settings_option,
        records_argument,
    ):
        command = decorate(command)
    return command


@dataclass(frozen=True, slots=True)
class Loaded:
    """A unit's records, and what decisions on them are made by.

    Attributes
    ----------
    records, decisions
        As read; the settings with the options of the command line in them.
    plan
        What planned trials would have to fit into.
    """

    records: Records
    decisions: DecisionSettings
    plan: PlanSettings


def load(unit: UnitOptions) -> Loaded:
    """Read and check the records with the unit's settings; options given win over those."""
    from outcomes.records.read import read_records

    settings = unit.settings()
    records = read_records(unit.records, settings.records, plan=unit.plan)
    if not len(records.trials):
        from outcomes.errors import RecordsError

        raise RecordsError(
            f"{unit.records}: no trial can be used. `outcomes check {unit.records}` says why."
        )
    check_key_of_plan(records)
    return Loaded(records, settings.decisions, settings.plan)


def check_key_of_plan(records: Records) -> None:
    """Refuse a key that was damaged or changed before anything is worked out or written."""
    if records.plan is not None:
        from outcomes.planning.document import plan_from_bytes

        plan_from_bytes(records.plan.content, records.plan.file)


def gather(
    unit: UnitOptions,
    as_of: str | None = None,
    *,
    further: bool = False,
    pool: Executor | None = None,
    asked: Asked | None = None,
    change: Callable[[Records, int], Records] | None = None,
) -> Facts:
    """Facts on these records, changed if need be, with progress on standard error.

    Each answer is worked out when it is asked for, with a ``pool`` in either process.
    """
    say("Reading the records")
    loaded = load(unit)
    seed = loaded.decisions.seed
    records = loaded.records if change is None else change(loaded.records, seed)
    from outcomes.answers.facts import gather_facts

    facts = gather_facts(
        records,
        loaded.decisions,
        as_of=moment(as_of),
        asked=asked,
        plan_settings=loaded.plan,
        further=further,
        pool=pool,
        jobs=cores(),
        progress=say,
        meter=meter,
    )
    return facts


@contextmanager
def second_process(*loads: str) -> Iterator[Executor | None]:
    """A process beside this one, loading already; None where there is no second core for it.

    ``loads`` are modules that it will need beside those of every question. Begin it before
    what takes long to load here, and ask nothing of the facts after it.
    """
    if cores() < 2:
        yield None
        return
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor

    # A fresh process: one split off from this one could inherit a lock held by a thread.
    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(
        1, mp_context=context, initializer=gc.set_threshold, initargs=COLLECT_SELDOM
    )
    others = multiprocessing.active_children()
    try:
        # Ctrl-C reaches both processes. This one answers it, and ends the other.
        with uninterrupted():
            for module in ("outcomes.answers.background", *loads):
                pool.submit(import_module, module)
        yield pool
    finally:
        with uninterrupted():
            for child in multiprocessing.active_children():
                if child not in others:
                    child.terminate()
            pool.shutdown(wait=True, cancel_futures=True)


class Stopped(KeyboardInterrupt):
    """The command was told to end by another signal than that of Ctrl-C.

    Attributes
    ----------
    status
        Exit status, as shells have it.
    """

    def __init__(self, number: int) -> None:
        super().__init__()
        self.status = 128 + number


def stop_on_signals() -> None:
    """SIGTERM and SIGHUP (a closed terminal) end a command as Ctrl-C does, unless it is deaf."""

    def stop(number: int, _: object) -> None:
        raise Stopped(number)

    for name in ("SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) == signal.SIG_DFL:
            signal.signal(number, stop)


def ignore_signals() -> dict[int, Any]:
    """From here on nothing stops the command; gives what was done about each signal before."""
    if threading.current_thread() is not threading.main_thread():
        return {}
    before: dict[int, Any] = {}
    for name in ("SIGINT", "SIGHUP", "SIGTERM"):
        number = getattr(signal, name, None)
        if number is not None:
            # What is ignored stays so in a process begun meanwhile, which SIGTERM is to end.
            deaf: Any = _do_nothing if name == "SIGTERM" else signal.SIG_IGN
            before[number] = signal.signal(number, deaf)
    return before


def _do_nothing(number: int, _: object) -> None:
    pass


@contextmanager
def uninterrupted() -> Iterator[None]:
    """Ctrl-C and the like do nothing meanwhile, neither here nor in a process begun meanwhile."""
    before = ignore_signals()
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def cores() -> int:
    """Cores to use: ``OUTCOMES_CORES``, or as many as there are."""
    told = os.environ.get("OUTCOMES_CORES", "")
    return int(told) if told.isdecimal() and int(told) else os.cpu_count() or 1


class Names:
    """What becomes of names: kept, or replaced by codes whose key is written elsewhere.

    Parameters
    ----------
    wanted
        Whether codes are wanted.
    key
        Where the key goes; None: ``default``, or nowhere.
    folder
        What is handed on, where the key must not lie.
    default
        The key's place where none is given.

    Raises
    ------
    UsageError
        The key would lie in ``folder``, or a key is named without codes.
    """

    def __init__(
        self, wanted: bool, key: Path | None, folder: Path, default: Path | None = None
    ) -> None:
        from outcomes.errors import UsageError
        from outcomes.report.without_names import check_key

        if key is not None and not wanted:
            raise UsageError("--key goes with --without-names: names that stay need no key.")
        self._wanted = wanted
        self._key = key or default
        self._content: bytes | None = None
        if wanted and self._key is not None:
            check_key(self._key, folder)

    def change(self, records: Records, seed: int) -> Records:
        """The records as they are to be used; words that go out as they are, are told."""
        from outcomes.report.without_names import free_words, key_to_write, without_names
        from outcomes.wording.own_words import describe_own_words

        if not self._wanted:
            return records
        coded, table = without_names(records, seed)
        words = describe_own_words(free_words(coded))
        if words:
            click.echo(words, err=True)
        if self._key is not None:
            self._content = key_to_write(self._key, table)
        return coded

    def write(self) -> None:
        """Write the key, unless that very key is there already."""
        from outcomes.records.placing import write_files

        if self._key is None or not self._wanted:
            return
        if self._content is not None:
            write_files(self._key.parent, {self._key.name: self._content})
        say(f"The key to the codes is {self._key}: keep it apart")


def moment(as_of: str | None) -> Any:
    """A day given on the command line as the moment its next day begins."""
    if as_of is None:
        return None
    import pandas as pd

    from outcomes.errors import UsageError

    try:
        day = dt.date.fromisoformat(as_of)
    except ValueError:
        raise UsageError(f"--as-of {as_of!r} is not a date. Write it as 2026-03-14.") from None
    if not 1900 <= day.year <= 2200:
        raise UsageError(f"--as-of {as_of} is out of range. Name a day of the records' own time.")
    return pd.Timestamp(day) + pd.Timedelta(days=1)


def with_command(sentence: str, records: Path, settings_file: Path | None = None) -> str:
    """A sentence that names commands, ``outcomes check``, as they can be pasted: on one line."""
    given = "" if settings_file is None else f" --settings {shlex.quote(str(settings_file))}"

    def pasted(found: re.Match[str]) -> str:
        command = f"{called_as()} {found[1]} {shlex.quote(str(records))}{given}{found[2]}"
        return command.replace(" ", KEPT_TOGETHER)

    return sentence if isinstance(sentence, Row) else _COMMAND.sub(pasted, sentence)


def tell_leftovers(folder: Path) -> None:
    """Name what an earlier run that was ended outright left there; nothing of it is needed."""
    from outcomes.records.placing import leftovers

    for path in leftovers(folder):
        complain(
            f"{path} was left by an earlier run that could not end properly; it can be deleted."
        )


def show_json(value: object) -> None:
    """One JSON object on standard output."""
    from outcomes.report.write import results_text

    click.echo(results_text(value), nl=False)
