"""What the simulator refuses.

SimulatorError (a PagereeveError)
├── PrinterOff   the printer has no power: nothing can be sent to it
├── PrinterFull  its memory holds as many jobs as it can
├── BadJob       a job header that cannot be read; the printer prints it as text
├── NoticeLost   a release notice was not acknowledged in all its tries
├── BadAct       an act that there is not, or that lacks something; the text lists what there is
└── BadScenario  an action names a printer, gateway or user that is not there
"""

from __future__ import annotations

from pagereeve.domain.values.errors import PagereeveError


class SimulatorError(PagereeveError):
    """Base of everything the simulator raises on purpose."""


class PrinterOff(SimulatorError):
    """The printer has no power."""


class PrinterFull(SimulatorError):
    """The printer's memory holds as many jobs as it can."""


class BadJob(SimulatorError):
    """A job header that cannot be read: the text names the member and the problem."""


class NoticeLost(SimulatorError):
    """A release notice that nobody acknowledged: the text names the last answer."""


class BadAct(SimulatorError):
    """What somebody typed is no act: the text says what there is."""


class BadScenario(SimulatorError):
    """An action on something that is not there, or does not fit its state."""
