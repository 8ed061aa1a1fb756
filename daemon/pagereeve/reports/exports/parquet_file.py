"""Parquet, in groups of rows: typed columns, and what the file was made from as its metadata.

Needs pyarrow, which is an extra of the package as it is large.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import BinaryIO, Final

import pyarrow as pa
from pyarrow.parquet import ParquetWriter

from pagereeve.domain.accounts.export_rows import ExportRow
from pagereeve.reports.exports.account import Account, Made
from pagereeve.reports.exports.columns import Column, ColumnKind

GROUP_ROWS: Final = 8_192
TYPES: Final[dict[ColumnKind, pa.DataType]] = {"text": pa.string(), "whole": pa.int64(), "truth": pa.bool_()}


class ParquetFile:
    """Memory in proportion to GROUP_ROWS. A value that is not known is null."""

    def __init__(self, file: BinaryIO, columns: Sequence[Column], made: Made) -> None:
        self._columns = columns
        self._rows: list[ExportRow] = []
        told = {"pagereeve": json.dumps(made.body(), ensure_ascii=False)}
        self._schema = pa.schema(
            [pa.field(one.name, TYPES[one.kind], metadata={"about": one.about}) for one in columns], metadata=told
        )
        self._writer = ParquetWriter(file, self._schema, compression="zstd")

    def write(self, row: ExportRow) -> None:
        self._rows.append(row)
        if len(self._rows) == GROUP_ROWS:
            self._write_group()

    def _write_group(self) -> None:
        arrays = [pa.array([one.value(row) for row in self._rows], TYPES[one.kind]) for one in self._columns]
        self._writer.write_table(pa.Table.from_arrays(arrays, schema=self._schema))
        self._rows.clear()

    def end(self, account: Account) -> None:  # noqa: ARG002 - it lies beside the file
        if self._rows:
            self._write_group()
        self._writer.close()

    def abandon(self) -> None:
        self._writer.close()
