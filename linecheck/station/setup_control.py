"""Setting the unit between checks: by the interface, by the station's own command, or by asking the operator.

===========================  =====================================================================
:class:`Operator`            someone who can be asked to make one
:class:`SetupControl`        how one unit is set during one run, and each step of that
===========================  =====================================================================

A control belongs to one run: of the next unit nobody knows how it is set.
"""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from typing import Protocol

from linecheck.checks.base import Problem
from linecheck.errors import LinecheckError
from linecheck.files.yaml import shown
from linecheck.limits.model import Check
from linecheck.run.model import How, SettingStep
from linecheck.run.setup_order import follows_stimulus, varying_settings
from linecheck.station.config.station import SetupConfig
from linecheck.station.interfaces.interface import Interface


class Operator(Protocol):
    """Someone who can be asked to set the unit."""

    def confirm(self, request: str) -> str | None:
        """Ask for a setting to be made, in one sentence, and wait; return why it was not, None where it was."""
        ...


class SetupControl:
    """Sets one unit during one run.

    Parameters
    ----------
    checks : sequence of Check
        All that the run plays: what none of them changes is asked of nobody.
    serial : str
    commands : mapping of str to SetupConfig, optional
        The station's commands, by setting.
    operator : Operator, optional
        Without one, what only an operator can set counts as not set.
    """

    def __init__(
        self,
        checks: Sequence[Check],
        serial: str,
        commands: Mapping[str, SetupConfig] | None = None,
        operator: Operator | None = None,
    ) -> None:
        self._varying = frozenset(varying_settings(checks))
        self._serial = serial
        self._commands = commands or {}
        self._operator = operator
        self._now: dict[str, str] = {}
        self._refused: dict[tuple[str, str], str] = {}
        self._why = ""
        self.steps: list[SettingStep] = []

    def is_set(self, check: Check, interface: Interface) -> bool:
        """Return whether the unit is set as a check needs it, so that the check can be played at once."""
        return not self._needed(check, interface)

    def is_worth_saying(self, step: SettingStep) -> bool:
        """Return whether a step is more than the interface being told what never changes during the run."""
        return step.how != "interface" or not step.done or step.setting in self._varying

    def make(self, check: Check, interface: Interface) -> Problem | None:
        """Set the unit as a check needs it; return the problem where that could not be done."""
        for setting, value, how in self._needed(check, interface):
            why = self._refused.get((setting, value))
            if why is None:
                step = self._made(setting, value, how, check.name, interface)
                self.steps.append(step)
                if step.done:
                    self._now[setting] = value
                    continue
                self._now.pop(setting, None)
                why = self._refused[setting, value] = self._why
            return _problem(setting, value, why, how)
        return None

    def _needed(self, check: Check, interface: Interface) -> list[tuple[str, str, How]]:
        needed: list[tuple[str, str, How]] = []
        for setting, value in check.setup.items():
            how = self._how(check, setting, value, interface)
            if how is not None and self._now.get(setting) != value:
                needed.append((setting, value, how))
        return needed

    def _how(self, check: Check, setting: str, value: str, interface: Interface) -> How | None:
        """Return who makes a setting; None where nobody has to.

        What stays the same during the run is left to the station's command, or to how the unit comes: a wrong default
        of its own is to be found, and not to be set right.
        """
        if setting in self._commands:
            return "command"
        if setting not in self._varying or follows_stimulus(check, setting):
            return None
        return "interface" if interface.can_set(setting, value) else "operator"

    def _made(self, setting: str, value: str, how: How, before: str, interface: Interface) -> SettingStep:
        began = time.monotonic()
        output = ""
        if how == "interface":
            why = _by_interface(interface, setting, value)
        elif how == "command":
            why, output = self._commands[setting].run(setting=setting, value=value, serial=self._serial)
            if why is None and interface.can_set(setting, value):
                why = _by_interface(interface, setting, value)  # a simulated unit obeys no other program
        else:
            why = self._by_operator(setting, value)
        self._why = why or ""
        seconds = time.monotonic() - began
        return SettingStep(setting, value, how, why is None, seconds, before, output or (why or ""))

    def _by_operator(self, setting: str, value: str) -> str | None:
        if self._operator is None:
            return "nobody is there to set it"
        return self._operator.confirm(f"Set {setting} to {shown(value)[1:-1]} on unit {self._serial}")


def _by_interface(interface: Interface, setting: str, value: str) -> str | None:
    try:
        interface.set(setting, value)
    except LinecheckError as error:
        return str(error)
    return None


def _problem(setting: str, value: str, why: str, how: How) -> Problem:
    remedy = {
        "operator": "Set it when asked, and test the unit again",
        "command": f"Fix the command under [setup.{setting}] of the station, and test the unit again",
        "interface": "Fix the station, and test the unit again",
    }[how]
    message = f"not played, since the unit could not be set to {setting} {value}: {why}. {remedy}."
    return Problem("setup_failed", message)
