"""What can go wrong for a user, each with one clear line and an exit status.

Anything wrong in records, settings or paths is raised as a child of
:class:`OutcomesError`; the command line prints its text and exits with its
``exit_status``. Any other exception is a defect of ours.
"""

from __future__ import annotations

from typing import ClassVar


class OutcomesError(Exception):
    """Base of every error a user can cause or mend.

    The text says what was found, where, and what would mend it.
    """

    exit_status: ClassVar[int] = 1


class RecordsError(OutcomesError):
    """The records have errors that stop the work."""


class SettingsError(OutcomesError):
    """``unit.toml`` or a settings option cannot be used."""


class SettingValueError(SettingsError, ValueError):
    """One setting has a value that it cannot have, wherever it was given.

    Parameters
    ----------
    setting
        Its name.
    problem
        What is wrong with it and what to give; the text is the name and this.
    """

    def __init__(self, setting: str, problem: str) -> None:
        super().__init__(setting, problem)
        self.setting = setting
        self.problem = problem

    def __str__(self) -> str:
        return f"{self.setting} {self.problem}"


class UsageError(OutcomesError):
    """A command was called with paths or values it cannot use."""

    exit_status: ClassVar[int] = 2


class OutputError(OutcomesError):
    """A result could not be written; what was there before is untouched."""


class FitError(OutcomesError):
    """A model cannot be fitted to these records; the text says why."""


class PlanError(OutcomesError):
    """A plan cannot be made from what the unit has, or read back; the text says why."""
