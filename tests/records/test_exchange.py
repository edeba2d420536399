"""Export and import: nothing is lost on the way, whatever was typed."""

from __future__ import annotations

import csv
import tempfile
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import select

from placement.records import RecordsError, Store
from placement.records.schema import DEPTHS, EXCHANGED, HANDS, OUTCOMES
from tests.records.samples import serve_row, write_results

_codes = st.from_regex(r"[A-Za-z0-9][\w.\-]{0,8}", fullmatch=True)
_texts = st.text(st.characters(exclude_categories=["Cs", "Cc"]) | st.sampled_from("\n\t"))
_reals = st.floats(-4.9, 4.9, allow_nan=False)


def _content(store: Store) -> dict[str, list[tuple[object, ...]]]:
    with store._read() as connection:
        return {
            table.name: [
                tuple(row)
                for row in connection.execute(select(table).order_by(*table.primary_key.columns))
            ]
            for table in EXCHANGED
        }


@settings(max_examples=8, deadline=None)
@given(
    people=st.lists(
        st.tuples(_codes, st.sampled_from(HANDS), _texts), min_size=1, max_size=4,
        unique_by=lambda p: __import__("unicodedata").normalize("NFC", p[0]),
    ),
    landings=st.lists(st.tuples(_reals, _reals), min_size=1, max_size=5),
    outcome=st.sampled_from(OUTCOMES),
    depth=st.sampled_from(DEPTHS),
    place=_texts,
    note=_texts.filter(lambda t: t.strip() != ""),
    format_=st.sampled_from(["csv", "parquet"]),
)  # fmt: skip
def test_what_is_exported_comes_back_the_same(
    people, landings, outcome, depth, place, note, format_
):
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        rows = [
            serve_row(i, 3.0 * i, landing_x_m=x, landing_y_m=y)
            for i, (x, y) in enumerate(landings, start=1)
        ]
        with Store(folder / "a.sqlite") as store:
            for code, hand, title in people:
                store.add_student(code, hand=hand, name=title[:200], groups=["9X"])
            done = store.import_results(
                write_results(folder / "out", rows), place=place[:2000], group="9X"
            )
            who = store.students()["code"][0]
            store.set_turns(done.drill_id, f"{who} {len(rows)} {depth} #tag")
            serve_id = int(store.serves().iloc[0]["serve_id"])
            store.correct(
                serve_id, {"outcome": outcome, "pace_m_s": None}, who="LM", seen_revision=0
            )
            store.add_note(note[:2000], who="LM", student_code=who)
            store.export(folder / "export", formats=[format_], names=True)
            before = _content(store)
        with Store(folder / "b.sqlite") as other:
            other.import_export(folder / "export")
            assert _content(other) == before
            # Keys go on counting after the highest that came in.
            other.add_student("new-one")


def test_names_are_left_out_unless_asked_for(store, filmed, tmp_path):
    store.change_student("AB", name="An Invented Name")
    folder = store.export(tmp_path / "plain")
    assert not (folder / "student_name.csv").exists()
    assert b"Invented Name" not in b"".join(p.read_bytes() for p in folder.iterdir())
    assert (store.export(tmp_path / "full", names=True) / "student_name.csv").exists()


def test_every_column_of_an_export_is_in_its_dictionary(store, filmed, tmp_path):
    folder = store.export(tmp_path / "out-export")
    dictionary = pd.read_csv(folder / "data_dictionary.csv")
    assert not dictionary["meaning"].isna().any()
    known = set(zip(dictionary["table"], dictionary["column"], strict=True))
    for path in folder.glob("*.csv"):
        if path.stem in ("data_dictionary", "serves_as_they_stand"):
            continue
        with path.open(encoding="utf-8", newline="") as stream:
            for column in next(csv.reader(stream)):
                assert (path.stem, column) in known


def test_csv_and_parquet_of_the_serves_as_they_stand_agree(store, filmed, tmp_path):
    serve_id = int(store.serves().iloc[0]["serve_id"])
    store.correct(serve_id, {"outcome": "let"}, who="LM", seen_revision=0)
    folder = store.export(tmp_path / "x")
    parquet = pd.read_parquet(folder / "serves_as_they_stand.parquet")
    table = pd.read_csv(folder / "serves_as_they_stand.csv", keep_default_na=False)
    assert parquet["outcome"].tolist() == table["outcome"].tolist() == ["let"] + ["good"] * 19
    assert parquet["code"].tolist() == ["AB"] * 10 + ["CD"] * 10
    assert parquet["landing_x_m"].tolist() == table["landing_x_m"].astype(float).tolist()


def test_records_that_are_not_empty_take_no_export(store, filmed, tmp_path):
    folder = store.export(tmp_path / "x")
    with pytest.raises(RecordsError, match="empty records"):
        store.import_export(folder)


def test_an_export_does_not_replace_a_folder_of_something_else(store, tmp_path):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "letter.txt").write_text("keep")
    with pytest.raises(RecordsError, match="holds other files"):
        store.export(tmp_path / "mine")


@pytest.mark.parametrize(
    ("name", "change", "match"),
    [
        ("serve.csv", lambda t: t.replace("serve_id", "id", 1), "does not have the columns"),
        ("serve.csv", lambda t: t.replace(",machine,", ",machine,x", 1), "line 2"),
        ("turn.csv", lambda t: t.splitlines()[0] + "\n", "does not fit together"),
        ("drill.csv", None, "lacks the table drill"),
    ],
)
def test_a_damaged_export_changes_nothing(store, filmed, tmp_path, name, change, match):
    folder = store.export(tmp_path / "x", formats=["csv"])
    if change is None:
        (folder / name).unlink()
    else:
        (folder / name).write_text(change((folder / name).read_text()))
    with Store(tmp_path / "b.sqlite") as other:
        with pytest.raises(RecordsError, match=match):
            other.import_export(folder)
        assert len(other.students()) == 0
