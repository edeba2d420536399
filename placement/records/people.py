"""Students and groups: by initials or candidate number, a name only where the school wants one."""

from __future__ import annotations

import csv
import io
import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
from sqlalchemy import Connection, delete, func, insert, select, update
from sqlalchemy.exc import IntegrityError

from placement.records.base import StoreBase, now
from placement.records.errors import RecordsError
from placement.records.schema import (
    class_group,
    drill,
    membership,
    note,
    student,
    student_name,
)
from placement.records.texts import clean_code, clean_hand, clean_text, composed


@dataclass(frozen=True, slots=True, kw_only=True)
class Student:
    """One student as the records know them."""

    student_id: int
    code: str  # initials or candidate number
    hand: str  # right, left, or empty where not given
    name: str  # empty where no name is kept
    groups: tuple[str, ...]


class PeopleMixin(StoreBase):
    """What `Store` does with students and groups."""

    def add_student(
        self, code: str, *, hand: str = "", name: str = "", groups: Iterable[str] = ()
    ) -> Student:
        """Add a student.

        Parameters
        ----------
        code : str
            Initials or candidate number, unique.
        hand : str
            Playing hand: ``right``, ``left`` or empty.
        name : str
            Only if the school wants it kept; it lies in a table of its own.
        groups : iterable of str
            Groups to join; made where they are new.

        Returns
        -------
        Student
            As stored.

        Raises
        ------
        RecordsError
            If the code is taken or not a code, or the hand is no hand.
        """
        with self._write() as connection:
            student_id = self._insert_student(connection, code, hand=hand, name=name)
            for group in groups:
                self._join(connection, student_id, self._group_id(connection, group, make=True))
        return self.student(code)

    def student(self, code: str) -> Student:
        """One student.

        Raises
        ------
        RecordsError
            If nobody has that code.
        """
        with self._read() as connection:
            student_id = self._student_id(connection, code)
            row = connection.execute(
                select(student, student_name.c.name)
                .outerjoin(student_name)
                .where(student.c.student_id == student_id)
            ).one()
            groups = connection.execute(
                select(class_group.c.name)
                .join(membership)
                .where(membership.c.student_id == student_id)
                .order_by(class_group.c.name)
            ).scalars()
            return Student(
                student_id=student_id,
                code=row.code,
                hand=row.hand,
                name=row.name or "",
                groups=tuple(groups),
            )

    def students(self, group: str | None = None, *, names: bool = False) -> pd.DataFrame:
        """Students, all or those of a group.

        Parameters
        ----------
        group : str, optional
            Only those of this group.
        names : bool
            Also the names.

        Returns
        -------
        DataFrame
            ``code, hand, groups`` and, where asked, ``name``; sorted by code.
        """
        statement = select(student.c.student_id, student.c.code, student.c.hand).order_by(
            student.c.code
        )
        if names:
            statement = statement.add_columns(student_name.c.name).outerjoin(student_name)
        with self._read() as connection:
            if group is not None:
                statement = statement.where(
                    student.c.student_id.in_(
                        select(membership.c.student_id).where(
                            membership.c.group_id == self._group_id(connection, group)
                        )
                    )
                )
            frame = self._frame(statement, connection)
            member = self._frame(
                select(membership.c.student_id, class_group.c.name).join(class_group), connection
            )
        joined = member.sort_values("name").groupby("student_id")["name"].agg("; ".join)
        frame["groups"] = frame["student_id"].map(joined).fillna("") if len(joined) else ""
        if names:
            frame["name"] = frame["name"].fillna("")
        return frame.drop(columns="student_id")

    def change_student(
        self,
        code: str,
        *,
        new_code: str | None = None,
        hand: str | None = None,
        name: str | None = None,
    ) -> Student:
        """Change what is kept about a student; an empty name removes the name.

        Raises
        ------
        RecordsError
            If nobody has that code, or the new one is taken.
        """
        with self._write() as connection:
            student_id = self._student_id(connection, code)
            values: dict[str, str] = {}
            if new_code is not None:
                values["code"] = clean_code(new_code)
            if hand is not None:
                values["hand"] = clean_hand(hand)
            if values:
                try:
                    connection.execute(
                        update(student).where(student.c.student_id == student_id).values(**values)
                    )
                except IntegrityError as error:
                    raise RecordsError(f"there is already a student {new_code!r}") from error
            if name is not None:
                connection.execute(
                    delete(student_name).where(student_name.c.student_id == student_id)
                )
                cleaned = clean_text(name, "the name", limit=200)
                if cleaned:
                    connection.execute(
                        insert(student_name).values(student_id=student_id, name=cleaned)
                    )
        return self.student(values.get("code", code))

    def import_class_list(self, text: str | Path, *, group: str = "") -> list[str]:
        """Add or change students from a class list.

        Parameters
        ----------
        text : str or Path
            CSV, or the file that holds it, with a heading row: ``code`` and, where wanted,
            ``hand``, ``name`` and ``group``.
        group : str
            Group for those whose row names none.

        Returns
        -------
        list of str
            The codes that were new.

        Raises
        ------
        RecordsError
            If the heading or a row cannot be understood; then nothing is changed.
        """
        if isinstance(text, Path):
            text = text.read_text(encoding="utf-8-sig")
        rows = list(csv.DictReader(io.StringIO(text)))
        if not rows or "code" not in rows[0]:
            raise RecordsError(
                "the class list needs a heading row with `code` (and, where wanted, hand, name, "
                "group) and at least one row"
            )
        new: list[str] = []
        with self._write() as connection:
            for line, row in enumerate(rows, start=2):
                values = {key: (row.get(key) or "").strip() for key in ("code", "hand", "name")}
                try:
                    code = clean_code(values["code"])
                    student_id = connection.execute(
                        select(student.c.student_id).where(student.c.code == code)
                    ).scalar()
                    if student_id is None:
                        student_id = self._insert_student(
                            connection, code, hand=values["hand"], name=values["name"]
                        )
                        new.append(code)
                    elif values["hand"]:
                        connection.execute(
                            update(student)
                            .where(student.c.student_id == student_id)
                            .values(hand=clean_hand(values["hand"]))
                        )
                except RecordsError as error:
                    raise RecordsError(f"class list, line {line}: {error}") from error
                named = (row.get("group") or "").strip() or group
                if named:
                    self._join(connection, student_id, self._group_id(connection, named, make=True))
        return new

    def add_group(self, name: str) -> None:
        """Make a group; nothing happens where it exists."""
        with self._write() as connection:
            self._group_id(connection, name, make=True)

    def remove_group(self, name: str) -> None:
        """Remove a group; its students and filmed drills stay."""
        with self._write() as connection:
            group_id = self._group_id(connection, name)
            connection.execute(delete(class_group).where(class_group.c.group_id == group_id))

    def join_group(self, code: str, group: str) -> None:
        """Put a student into a group, made where it is new."""
        with self._write() as connection:
            self._join(
                connection,
                self._student_id(connection, code),
                self._group_id(connection, group, make=True),
            )

    def leave_group(self, code: str, group: str) -> None:
        """Take a student out of a group."""
        with self._write() as connection:
            connection.execute(
                delete(membership).where(
                    membership.c.student_id == self._student_id(connection, code),
                    membership.c.group_id == self._group_id(connection, group),
                )
            )

    def groups(self) -> pd.DataFrame:
        """All groups: ``name, students, drills``."""
        members = select(func.count()).where(membership.c.group_id == class_group.c.group_id)
        drills = select(func.count()).where(drill.c.group_id == class_group.c.group_id)
        return self._frame(
            select(
                class_group.c.name,
                members.scalar_subquery().label("students"),
                drills.scalar_subquery().label("drills"),
            ).order_by(class_group.c.name)
        )

    def add_note(
        self, text: str, *, who: str, student_code: str = "", drill_id: int | None = None
    ) -> None:
        """Keep a note about a student, a filmed drill, or both."""
        cleaned = clean_text(text, "the note", limit=10_000)
        if not cleaned:
            raise RecordsError("the note is empty; write what should be kept")
        with self._write() as connection:
            about = self._student_id(connection, student_code) if student_code else None
            connection.execute(
                insert(note).values(
                    student_id=about,
                    drill_id=drill_id,
                    text=cleaned,
                    who=clean_text(who, "the writer", limit=100),
                    made_at=now(),
                )
            )

    def notes(self, *, student_code: str = "", drill_id: int | None = None) -> pd.DataFrame:
        """Notes, oldest first: ``note_id, code, drill_id, text, who, made_at``."""
        statement = (
            select(
                note.c.note_id,
                student.c.code,
                note.c.drill_id,
                note.c.text,
                note.c.who,
                note.c.made_at,
            )
            .outerjoin(student, student.c.student_id == note.c.student_id)
            .order_by(note.c.note_id)
        )
        if student_code:
            statement = statement.where(student.c.code == composed(student_code))
        if drill_id is not None:
            statement = statement.where(note.c.drill_id == drill_id)
        return self._frame(statement)

    def _insert_student(
        self, connection: Connection, code: str, *, hand: str = "", name: str = ""
    ) -> int:
        code = clean_code(code)
        named = clean_text(name, "the name", limit=200)
        try:
            student_id = connection.execute(
                insert(student)
                .values(code=code, hand=clean_hand(hand), added_at=now(), uid=uuid.uuid4().hex)
                .returning(student.c.student_id)
            ).scalar_one()
        except IntegrityError as error:
            raise RecordsError(f"there is already a student {code!r}") from error
        if named:
            connection.execute(insert(student_name).values(student_id=student_id, name=named))
        return int(student_id)

    def _student_id(self, connection: Connection, code: str) -> int:
        found = connection.execute(
            select(student.c.student_id).where(student.c.code == composed(code))
        ).scalar()
        if found is None:
            raise RecordsError(
                f"there is no student {code!r} in the records; add them with `students add {code}`"
            )
        return int(found)

    def _group_id(self, connection: Connection, name: str, *, make: bool = False) -> int:
        name = clean_text(name, "the group's name", limit=100)
        if not name:
            raise RecordsError("the group's name is empty")
        found = connection.execute(
            select(class_group.c.group_id).where(class_group.c.name == name)
        ).scalar()
        if found is None:
            if not make:
                raise RecordsError(f"there is no group {name!r}; `groups` lists them")
            found = connection.execute(
                insert(class_group).values(name=name).returning(class_group.c.group_id)
            ).scalar_one()
        return int(found)

    @staticmethod
    def _join(connection: Connection, student_id: int, group_id: int) -> None:
        there = connection.execute(
            select(membership.c.student_id).where(
                membership.c.student_id == student_id, membership.c.group_id == group_id
            )
        ).first()
        if there is None:
            connection.execute(insert(membership).values(student_id=student_id, group_id=group_id))
