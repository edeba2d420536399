"""Class lists as a teacher has them: a spreadsheet's cells, another country's CSV, bare codes."""

from __future__ import annotations

import csv
import io

_BETWEEN = ",;\t"
_HEADING = "code"


def tidy_class_list(text: str) -> str:
    """Write a class list as the records read one: commas, and a heading row in small letters.

    Cells pasted out of a spreadsheet come with tabs between them, and where the comma is the
    decimal sign a CSV has semicolons. A list of bare codes, one a line, needs no heading.

    Parameters
    ----------
    text : str
        As typed, pasted or read from a file.

    Returns
    -------
    str
        CSV with commas; what cannot be understood is left for the records to refuse.
    """
    lines = [line for line in text.lstrip("\ufeff").splitlines() if line.strip()]
    if not lines:
        return ""
    between = max(_BETWEEN, key=lines[0].count)
    rows = [[cell.strip() for cell in row] for row in csv.reader(lines, delimiter=between)]
    heading = [cell.lower() for cell in rows[0]]
    if _HEADING in heading:
        rows[0] = heading
    elif all(len(row) == 1 for row in rows):
        rows.insert(0, [_HEADING])
    written = io.StringIO()
    csv.writer(written, lineterminator="\n").writerows(rows)
    return written.getvalue()
