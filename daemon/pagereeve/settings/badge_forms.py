"""``form``: how a reader, or a list, writes badge numbers (domain.badgeform has what each setting means)."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, model_validator

from pagereeve.domain.badges.form import (
    WIDTH_MAX,
    BadgeForm,
    ByteOrder,
    CheckByte,
    Encoding,
)
from pagereeve.domain.badges.wiegand import Parity, layouts_of
from pagereeve.ports.setting_types import Section, Whole


class BadgeFormSettings(Section):
    encoding: Encoding = "text"
    width_bits: Annotated[Whole, Field(ge=8, le=WIDTH_MAX)] | None = None
    byte_order: ByteOrder = "most-first"
    parity: Parity = "none"
    check_byte: CheckByte = "none"
    inverted: bool = False
    uid: bool = True

    @model_validator(mode="after")
    def _fitting(self) -> Self:
        problems = list(self._problems())
        if problems:
            raise ValueError("; ".join(problems))
        return self

    def _problems(self) -> list[str]:
        width, data = self.width_bits, sorted({one.data_bits for one in layouts_of(self.parity)})
        changed = self.model_fields_set - {"encoding"}
        problems = []
        if self.encoding == "text" and changed:
            problems.append(f'{", ".join(sorted(changed))}: encoding "text" is used as it is; name another encoding')
        if self.encoding == "decimal" and width is None:
            problems.append("decimal numbers have no width of their own; set width_bits (32 for a UID of four bytes)")
        if self.encoding == "facility-card" and (self.parity != "none" or self.check_byte != "none"):
            problems.append("facility and card number come without parity and check byte; leave them out")
        if self.encoding == "decimal-bytes" and self.parity != "none":
            problems.append("bytes hold no parity bits; leave parity out")
        if self.parity != "none" and self.check_byte != "none":
            problems.append("a frame has parity bits or a check byte, not both; keep one")
        if self.encoding == "facility-card" and width not in {None, 24}:
            problems.append("facility and card number are 24 bits; leave width_bits out")
        if self.parity != "none" and width not in {None, *data}:
            held = ", ".join(map(str, data))
            problems.append(f"frames of parity {self.parity!r} hold {held} bits; set width_bits to one of them")
        if self.byte_order == "least-first" and width is not None and width % 8:
            problems.append("only whole bytes have an order; width_bits must be a multiple of 8")
        return problems

    def to_form(self) -> BadgeForm:
        return BadgeForm(
            encoding=self.encoding,
            width_bits=self.width_bits,
            byte_order=self.byte_order,
            parity=self.parity,
            check_byte=self.check_byte,
            inverted=self.inverted,
            uid=self.uid,
        )
