"""What the commands `compare`, `evidence`, `overview` and `demo --class` do, as functions."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from placement import figures, plots, zones
from placement.democlass import GROUP, make_demo_class
from placement.evidence import pictures
from placement.evidence.film_stills import stills_from_films
from placement.evidence.group import gather_group, overview_table
from placement.evidence.overview import overview_html, overview_pdf
from placement.evidence.pages import student_html, student_pdf
from placement.evidence.parts import write_whole
from placement.evidence.student import gather_student
from placement.evidence.weeks import by_day, compare_all_days, compare_days, hit_trend
from placement.records import RecordsError, Store


def compare_student(
    store: Store,
    code: str,
    *,
    first: str | None = None,
    second: str | None = None,
    every_pair: bool = False,
    picture: str | Path | None = None,
) -> list[str]:
    """Compare days of a student, in words.

    Parameters
    ----------
    store : Store
        The records.
    code : str
        Student.
    first, second : str, optional
        Days; the first and the last if left out.
    every_pair : bool
        Every pair of days, with p-values corrected for their number.
    picture : str or Path, optional
        File for the maps of the two days, .png or .svg.

    Returns
    -------
    list of str
        Lines to print.

    Raises
    ------
    RecordsError
        If there are fewer than two days to compare.
    """
    judged = figures.judge(store.serves(student_code=code))
    days = by_day(judged)
    if len(days) < 2:
        raise RecordsError(f"{code} was filmed on {len(days)} day(s); a comparison needs two")
    rng = np.random.default_rng(zlib.crc32(code.encode()))
    if every_pair:
        table = compare_all_days(judged, rng=rng)
        shown = table.drop(columns="words").round(3).to_string(index=False, na_rep="")
        return [*shown.splitlines(), "p-values ending in _corrected allow for the number of pairs"]
    first = first or days["day"].iloc[0]
    second = second or days["day"].iloc[-1]
    found = compare_days(judged, first, second, rng=rng)
    lines = [f"{code}, {first} against {second}:", *(f"- {s}" for s in found.sentences)]
    lines.append(f"- {hit_trend(days)[1]}")
    if picture is not None:
        lines.append(str(plots.save_figure(pictures.weeks_figure(judged, found), picture)))
    return lines


def write_student_pages(
    store: Store,
    code: str,
    folder: str | Path,
    *,
    formats: Sequence[str] = ("pdf", "html"),
    view: zones.View = "server",
    with_stills: bool = True,
    pictures: str | None = None,
    today: str | None = None,
) -> list[Path]:
    """Write the evidence page of a student and remember that it was written.

    Parameters
    ----------
    store : Store
        The records.
    code : str
        Student.
    folder : str or Path
        Where to.
    formats : sequence of str
        ``pdf``, ``html`` or both.
    view : {"server", "receiver"}
        From whose side the maps are seen.
    with_stills : bool
        Take stills from the films, where they are at hand.
    pictures : {"png", "svg"}, optional
        Also write each picture alone.
    today : str, optional
        Day to print.

    Returns
    -------
    list of Path
        The files.
    """
    stills, missing = stills_from_films(store, code) if with_stills else ([], "left out on request")
    evidence = gather_student(
        store, code, stills=stills, stills_missing=missing, view=view, today=today
    )
    base = Path(folder) / f"evidence-{code}"
    written = []
    if "pdf" in formats:
        written.append(write_whole(base.with_name(base.name + ".pdf"), student_pdf(evidence)))
    if "html" in formats:
        written.append(write_whole(base.with_name(base.name + ".html"), student_html(evidence)))
    if pictures:
        written += _write_pictures(store, code, base, pictures, view)
    for path in written:
        store.note_written(path, "page", student_code=code)
    return written


def write_overview(
    store: Store, group: str, folder: str | Path, *, today: str | None = None
) -> list[Path]:
    """Write the overview of a group as PDF, HTML and CSV and remember that it was written."""
    overview = gather_group(store, group, today=today)
    safe = "".join(c if c.isalnum() or c in "-_" else "-" for c in group).strip("-") or "group"
    base = Path(folder)
    written = [
        write_whole(base / f"overview-{safe}.pdf", overview_pdf(overview)),
        write_whole(base / f"overview-{safe}.html", overview_html(overview)),
        write_whole(base / f"overview-{safe}.csv", overview_table(overview).to_csv(index=False)),
    ]
    for path in written:
        store.note_written(path, "overview")
    return written


def write_demo_class(place: str | None, folder: str | Path) -> list[Path]:
    """Make the invented class with its overview and the pages of three students.

    Parameters
    ----------
    place : str, optional
        Records file or address; a new file in the folder if left out.
    folder : str or Path
        Where everything goes.

    Returns
    -------
    list of Path
        The pages.

    Raises
    ------
    RecordsError
        If the demo class is in these records already.
    """
    base = Path(folder)
    with Store(place or base / "demo-records.sqlite") as store:
        if GROUP in set(store.groups()["name"]):
            raise RecordsError(f"the demo class is already in {store.where}; look at it, or name "
                               "another folder")  # fmt: skip
        make_demo_class(store, base / "demo-results")
        written = write_overview(store, GROUP, base)
        for code in ("AK", "DL", "JU"):
            written += write_student_pages(store, code, base, with_stills=False)
    return written


def _write_pictures(store: Store, code: str, base: Path, kind: str, view: zones.View) -> list[Path]:
    judged = figures.judge(store.serves(student_code=code))
    days = by_day(judged)
    drawn = {"map": pictures.map_figure(judged, view=view)}
    if (days["n"] > 0).sum() > 1:
        drawn["trend"] = pictures.trend_figure(days)
    if len(days) > 1:
        rng = np.random.default_rng(zlib.crc32(code.encode()))
        found = compare_days(judged, days["day"].iloc[0], days["day"].iloc[-1], rng=rng)
        drawn["weeks"] = pictures.weeks_figure(judged, found, view=view)
    return [
        plots.save_figure(figure, base.with_name(f"{base.name}-{name}.{kind}"))
        for name, figure in drawn.items()
    ]
