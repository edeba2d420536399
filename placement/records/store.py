"""The records: the one door to the database.

`Store` is made of parts by subject: students and groups (`people`), filmed drills and analyses
(`films`), serves as they stand (`serves`), corrections (`corrections`), turns (`turnbook`),
forgetting and retention (`forget`), backups (`backup`), export and import (`exchange`).
"""

from __future__ import annotations

from placement.records.exchange import ExchangeMixin


class Store(ExchangeMixin):
    """Students, filmed drills, turns, serves and corrections in one place.

    One object may be used by many threads at once; other processes may use the same file. Each
    method is one short transaction: it happens whole or not at all.

    Parameters
    ----------
    place : str or Path, optional
        A file, made where it is new, or a database address such as
        ``postgresql+psycopg://user@host/name``; `default_store()` if left out.

    Raises
    ------
    StoreError
        If the records cannot be opened; the message is one sentence.

    Examples
    --------
    >>> with Store("records.sqlite") as store:  # doctest: +SKIP
    ...     drill = store.import_results("out/clip")
    ...     store.set_turns(drill.drill_id, "AB 10 short left, CD 10 short left",
    make_students=True) ...     store.serves(student_code="AB")
    """
