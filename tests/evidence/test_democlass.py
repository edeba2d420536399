from __future__ import annotations

from placement.democlass import write_demo_results
from placement.records import Store, read_results


def test_the_class_has_twelve_students_and_five_weeks(demo: Store):
    drills = demo.drills()
    assert len(demo.students()) == 12
    assert sorted(drills["filmed_on"].unique()) == [
        "2026-01-12", "2026-01-19", "2026-01-26", "2026-02-02", "2026-02-09",
    ]  # fmt: skip
    assert (demo.students()["hand"] == "left").sum() == 2
    assert set(drills["version"]) == {"demo"}
    assert all("nvented" in text for text in drills["asked"])


def test_one_seed_gives_one_class(tmp_path):
    first, second = (write_demo_results(tmp_path / name, seed=5)[0] for name in "ab")
    assert read_results(first.folder).settings_hash == read_results(second.folder).settings_hash
    other = write_demo_results(tmp_path / "c", seed=6)[0]
    assert read_results(other.folder).settings_hash != read_results(first.folder).settings_hash


def test_what_does_not_add_up_is_in_it(demo: Store):
    week3 = demo.turns(int(demo.drills()["drill_id"].iloc[4]))
    wrong = week3[week3["listed"] != week3["found"]]
    assert wrong[["code", "listed", "found"]].values.tolist() == [["AK", 4, 3]]
    assert len(demo.corrections(1)) > 0
