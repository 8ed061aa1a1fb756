"""A job on its way through a printer's memory: data arrive, sheets leave."""

from __future__ import annotations

from collections.abc import Iterator
from math import ceil

from pagereeve.simulator.printer.model import PrinterSpec, PrintJob, Sheet

SEPARATOR = Sheet(content=1, passes=1)


def copy_sheets(job: PrintJob) -> int:
    """Sheets of one copy, separators not included."""
    content = ceil(job.pages / job.number_up)
    return content if job.sides == "one-sided" else ceil(content / 2)


def sheets_of(job: PrintJob, spec: PrinterSpec) -> Iterator[Sheet]:
    """Every sheet of the job in the order of feeding; each copy starts a new sheet."""
    for _ in range(job.separator_sheets):
        yield SEPARATOR
    per_sheet = 1 if job.sides == "one-sided" else 2
    for _ in range(job.copies**2 if spec.copies_squared else job.copies):
        left = ceil(job.pages / job.number_up)
        while left > 0:
            content = min(per_sheet, left)
            left -= content
            yield Sheet(content, per_sheet if spec.counts_blank_backs else content)


class Spooled:
    """A job's data and sheets. A sheet can be fed once its share of the data is here; feeding it frees that share.

    The data carry one copy: the later copies are made from what the printer has kept aside.
    """

    def __init__(self, job: PrintJob, spec: PrinterSpec) -> None:
        self.job = job
        self.fed = 0
        self._received_bytes = 0
        self._ended = False
        self._dropped = False
        self._data_sheets = max(1, job.separator_sheets + copy_sheets(job))
        self._sheets = sheets_of(job, spec)
        self._next = next(self._sheets, None)

    @property
    def ready(self) -> bool:
        """The next sheet can be fed now."""
        if self._next is None or self._dropped:
            return False
        needed = self.job.size_bytes * min(self.fed + 1, self._data_sheets)
        return self._received_bytes * self._data_sheets >= needed

    @property
    def done(self) -> bool:
        """Nothing more will come out: all sheets fed, dropped, or the data broke off."""
        return self._next is None or self._dropped or (self._ended and not self.ready)

    @property
    def dropped(self) -> bool:
        return self._dropped

    @property
    def whole(self) -> bool:
        """All its sheets were fed."""
        return self._next is None

    @property
    def held_bytes(self) -> int:
        if self.done:
            return 0
        used = self.job.size_bytes * min(self.fed, self._data_sheets) // self._data_sheets
        return max(0, self._received_bytes - used)

    def receive(self, size_bytes: int) -> None:
        self._received_bytes += size_bytes

    def end(self) -> None:
        self._ended = True

    def drop(self) -> None:
        self._dropped = True

    def take(self) -> Sheet:
        """The next sheet; only where ``ready``."""
        if self._next is None:
            raise IndexError(f"job {self.job.name} has no sheet left")
        sheet, self._next = self._next, next(self._sheets, None)
        self.fed += 1
        return sheet
