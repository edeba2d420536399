"""Export of everything as tidy CSV and Parquet with a data dictionary, and the way back.

One file a table, named like the table; UTF-8, comma, one heading row, an empty cell for what is not
known, numbers written so that reading them gives the same double again (RFC 4180 for the CSV).
`serves_as_they_stand` is made for analysis elsewhere: one row a serve with its student, what was
called and the corrections in force; it is not read back.
"""

from __future__ import annotations

import csv
import io
import os
import shutil
import tempfile
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
from sqlalchemy import Table, func, insert, select, text
from sqlalchemy.exc import IntegrityError

from placement.records.backup import BackupMixin
from placement.records.errors import RecordsError
from placement.records.forget import forget_uids
from placement.records.schema import EXCHANGED, drill, forgotten, student, student_name

FORMATS = ("csv", "parquet")
DICTIONARY = "data_dictionary.csv"
FLAT = "serves_as_they_stand"
_FLAT_COLUMNS = {
    "code": "initials or candidate number of the student; empty: nobody yet",
    "hand": "playing hand of the student",
    "filmed_on": "day of filming",
    "clip": "stem of the clip's file name",
    "target_depth": "called depth",
    "target_side": "called side as the server sees it",
    "target_landing": "called landing third",
    "stroke": "forehand or backhand serve",
    "tags": "declared serve types, separated by spaces",
    "corrected": "columns that were corrected by hand, separated by spaces",
    "checked": "True where a person looked at the answer",
}
_CHUNK = 5000  # rows written or read at once


class ExchangeMixin(BackupMixin):
    """What `Store` does to give everything away and take it back."""

    def export(
        self, folder: str | Path, *, formats: Iterable[str] = FORMATS, names: bool = False
    ) -> Path:
        """Write every table as tidy CSV and Parquet with a data dictionary.

        Parameters
        ----------
        folder : str or Path
            New folder; one that holds an earlier export is replaced.
        formats : iterable of str
            ``csv``, ``parquet`` or both.
        names : bool
            Also the names of the students.

        Returns
        -------
        Path
            The folder, written whole or not at all.

        Raises
        ------
        RecordsError
            If the folder holds something else, or a format is not known.
        """
        wanted = list(formats)
        if not wanted or not set(wanted) <= set(FORMATS):
            raise RecordsError(f"the formats are {' and '.join(FORMATS)}, not {wanted}")
        target = Path(folder).absolute()
        if target.exists() and not (target / DICTIONARY).is_file() and any(target.iterdir()):
            raise RecordsError(f"{target} holds other files; name a new folder for the export")
        with self._translated():
            target.parent.mkdir(parents=True, exist_ok=True)
            temporary = Path(tempfile.mkdtemp(dir=target.parent, prefix=f".{target.name}."))
            try:
                self._write_tables(temporary, wanted, names)
                if target.exists():
                    shutil.rmtree(target)
                os.replace(temporary, target)
            finally:
                shutil.rmtree(temporary, ignore_errors=True)
        self.note_written(target, "export")
        return target

    def import_export(self, folder: str | Path) -> dict[str, int]:
        """Take an export back into empty records.

        Parameters
        ----------
        folder : str or Path
            As written by `export`; CSV is read where both are there.

        Returns
        -------
        dict
            Number of rows by table.

        Raises
        ------
        RecordsError
            If the records are not empty or the export is damaged; then nothing is changed.
        """
        source = Path(folder)
        if not (source / DICTIONARY).is_file():
            raise RecordsError(f"{source} is not an export of this tool ({DICTIONARY} is missing)")
        rows: dict[str, int] = {}
        with self._write() as connection:
            for table in (student, drill):
                if connection.execute(select(func.count()).select_from(table)).scalar():
                    raise RecordsError(
                        "an export can only be taken into empty records; name a new file with "
                        "--store"
                    )
            marks = list(connection.execute(select(forgotten.c.uid)).scalars())
            try:
                for table in EXCHANGED:
                    rows[table.name] = 0
                    for chunk in _read_table(source, table):
                        if table is forgotten:
                            chunk = [row for row in chunk if row["uid"] not in marks]
                        rows[table.name] += len(chunk)
                        if chunk:
                            connection.execute(insert(table), chunk)
            except IntegrityError as error:
                raise RecordsError(
                    f"the export in {source} does not fit together ({error.orig}); export again"
                ) from error
            forget_uids(connection, marks)
            if connection.dialect.name == "postgresql":
                _move_sequences(connection)
        return rows

    def _write_tables(self, folder: Path, formats: list[str], names: bool) -> None:
        with self._read() as connection:
            for table in EXCHANGED:
                if table is student_name and not names:
                    continue
                result = connection.execution_options(yield_per=_CHUNK).execute(
                    select(table).order_by(*table.primary_key.columns)
                )
                with _Writer(folder, table, formats) as writer:
                    for part in result.partitions(_CHUNK):
                        writer.add([tuple(row) for row in part])
        frame = self.serves()
        serve_columns = [c.name for c in EXCHANGED[7].columns if c.name not in _HIDDEN]
        frame = frame[[*_FLAT_COLUMNS, *serve_columns]]
        if "csv" in formats:
            frame.to_csv(folder / f"{FLAT}.csv", index=False, lineterminator="\r\n")
        if "parquet" in formats:
            frame.to_parquet(folder / f"{FLAT}.parquet", index=False)
        with (folder / DICTIONARY).open("w", encoding="utf-8", newline="") as stream:
            csv.writer(stream).writerows(data_dictionary())


_HIDDEN = ("serve_id", "analysis_id", "turn_id")
_ARROW = {int: pa.int64(), float: pa.float64(), str: pa.string()}


def data_dictionary() -> list[tuple[str, str, str, str]]:
    """Every column of an export.

    Returns
    -------
    list of tuple
        Table, column, type (text, whole number, number) and meaning with unit; a heading first.
    """
    kinds = {int: "whole number", float: "number", str: "text"}
    rows = [("table", "column", "type", "meaning")]
    for table in EXCHANGED:
        for column in table.columns:
            kind = kinds[column.type.python_type]
            rows.append((table.name, column.name, kind, column.comment or ""))
    rows += [(FLAT, name, "text", meaning) for name, meaning in _FLAT_COLUMNS.items()]
    rows.append((FLAT, "(others)", "", "as in the table serve, with the corrections in force"))
    return rows


class _Writer:
    """Writes the rows of one table to a file of each format."""

    def __init__(self, folder: Path, table: Table, formats: list[str]) -> None:
        self._kinds = [column.type.python_type for column in table.columns]
        names = [column.name for column in table.columns]
        self._stream: io.TextIOWrapper | None = None
        self._parquet: pq.ParquetWriter | None = None
        if "csv" in formats:
            path = folder / f"{table.name}.csv"
            self._stream = path.open("w", encoding="utf-8", newline="")
            self._csv = csv.writer(self._stream)
            self._csv.writerow(names)
        if "parquet" in formats:
            fields = [pa.field(n, _ARROW[k]) for n, k in zip(names, self._kinds, strict=True)]
            self._schema = pa.schema(fields)
            self._parquet = pq.ParquetWriter(folder / f"{table.name}.parquet", self._schema)

    def __enter__(self) -> _Writer:
        return self

    def add(self, rows: list[tuple[Any, ...]]) -> None:
        if self._stream is not None:
            self._csv.writerows(
                ["" if v is None else repr(v) if isinstance(v, float) else v for v in row]
                for row in rows
            )
        if self._parquet is not None and rows:
            arrays = [
                pa.array(values, type=field.type)
                for values, field in zip(zip(*rows, strict=True), self._schema, strict=True)
            ]
            self._parquet.write_table(pa.Table.from_arrays(arrays, schema=self._schema))

    def __exit__(self, *_: object) -> None:
        for file in (self._stream, self._parquet):
            if file is not None:
                file.close()


def _read_table(folder: Path, table: Table) -> Iterator[list[dict[str, Any]]]:
    path = folder / f"{table.name}.csv"
    names = [column.name for column in table.columns]
    if path.is_file():
        yield from _read_csv(path, table, names)
        return
    path = folder / f"{table.name}.parquet"
    if path.is_file():
        try:
            with pq.ParquetFile(path) as file:
                if file.schema_arrow.names != names:
                    raise RecordsError(f"{path} does not have the columns {', '.join(names)}")
                for batch in file.iter_batches(_CHUNK):
                    yield batch.to_pylist()
        except pa.ArrowInvalid as error:
            raise RecordsError(f"{path} is damaged: {error}") from error
        return
    if table is not student_name:
        raise RecordsError(f"{folder} lacks the table {table.name}; export again")


def _read_csv(path: Path, table: Table, names: list[str]) -> Iterator[list[dict[str, Any]]]:
    readers = {
        int: lambda cell: int(cell) if cell else None,
        float: lambda cell: float(cell) if cell else None,
        str: lambda cell: cell,
    }
    convert = [readers[column.type.python_type] for column in table.columns]
    csv.field_size_limit(1 << 30)  # a calibration is long
    with path.open(encoding="utf-8-sig", newline="") as stream:
        reader = csv.reader(stream)
        if next(reader, None) != names:
            raise RecordsError(f"{path} does not have the columns {', '.join(names)}")
        chunk: list[dict[str, Any]] = []
        for cells in reader:
            try:
                values = [c(cell) for c, cell in zip(convert, cells, strict=True)]
            except ValueError as error:
                raise RecordsError(f"{path}, line {reader.line_num}: {error}") from error
            chunk.append(dict(zip(names, values, strict=True)))
            if len(chunk) == _CHUNK:
                yield chunk
                chunk = []
        yield chunk


def _move_sequences(connection: Any) -> None:
    """Let PostgreSQL count on after the keys that were put in by hand."""
    for table in EXCHANGED:
        key = next(iter(table.primary_key.columns))
        if key.autoincrement is not False and key.type.python_type is int:
            connection.execute(
                text(
                    f"SELECT setval(pg_get_serial_sequence('{table.name}', '{key.name}'), "
                    f"(SELECT COALESCE(MAX({key.name}), 0) + 1 FROM {table.name}), false)"
                )
            )
