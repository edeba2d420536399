"""Evidence pages as self-contained HTML and as A4 PDF with tagged text (PDF/UA-1).

The HTML holds its pictures and its style, asks nothing of a network and runs nothing. The PDF is
set by Typst, which carries its own fonts; the sans serif is the one that comes with matplotlib, so
that a page looks the same on every system.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from importlib import resources
from pathlib import Path
from typing import Any

import cv2
import jinja2
import matplotlib
import typst
from markupsafe import Markup

from placement.evidence import words
from placement.evidence.parts import bar_svg, data_uri, percent
from placement.evidence.strip import Still
from placement.evidence.student import StudentEvidence

_STILLS_RULE = (
    "Chosen by rule, not by hand: serves at the student's usual distance from the usual place "
    "(typical), and hits nearest to it (best). Cropped to the table and blurred outside it."
)


def student_html(evidence: StudentEvidence) -> str:
    """The page of a student as one HTML file.

    Parameters
    ----------
    evidence : StudentEvidence
        From `student.gather_student`.

    Returns
    -------
    str
        Whole document; every text from the records is escaped.
    """
    shares = [
        (kind, rows.to_dict("records"))
        for kind, rows in evidence.shares.groupby("kind", sort=False)
    ]
    return render(
        "student.html.j2",
        e=evidence,
        words=words,
        shares=shares,
        pictures={picture.name: picture for picture in evidence.pictures},
        images={picture.name: data_uri(picture.png) for picture in evidence.pictures},
        stills=[
            {"src": data_uri(_jpeg(s), "jpeg"), "caption": s.caption, "alt": s.alt}
            for s in evidence.stills
        ],
        stills_rule=_STILLS_RULE,
        asked_list=_asked(evidence),
    )


def student_pdf(evidence: StudentEvidence) -> bytes:
    """The page of a student as PDF, A4, tagged.

    Parameters
    ----------
    evidence : StudentEvidence
        From `student.gather_student`.

    Returns
    -------
    bytes
    """
    files: dict[str, bytes] = {f"{p.name}.png": p.png for p in evidence.pictures}
    files |= {f"still{i}.jpg": _jpeg(s) for i, s in enumerate(evidence.stills)}
    return compile_pdf("student.typ", _data(evidence), files, made_on=evidence.made_on)


def render(template: str, **values: Any) -> str:
    """Fill in a template of this package; what is not markup is escaped."""
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("placement.evidence", ""),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
    )
    css = resources.files("placement.evidence").joinpath("page.css").read_text("utf-8")
    page = environment.get_template(template)
    return page.render(css=Markup(css), bar=bar_svg, percent=percent, **values)


def compile_pdf(
    template: str, data: Mapping[str, Any], files: Mapping[str, bytes], *, made_on: str
) -> bytes:
    """Set a PDF from a template of this package.

    Parameters
    ----------
    template : str
        Name of a Typst file of this package.
    data : mapping
        What it reads, as JSON.
    files : mapping of str to bytes
        Pictures by the names that the data use.
    made_on : str
        Day of the page, YYYY-MM-DD: the same page gives the same bytes.

    Returns
    -------
    bytes
    """
    source = resources.files("placement.evidence").joinpath(template).read_text("utf-8")
    fonts = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "page.typ").write_text(source, encoding="utf-8")
        (folder / "data.json").write_text(json.dumps(data), encoding="utf-8")
        for file, content in files.items():
            (folder / file).write_bytes(content)
        pdf = typst.compile(
            folder / "page.typ",
            format="pdf",
            root=folder,
            font_paths=[fonts],
            ignore_system_fonts=True,
            pdf_standards=["ua-1"],
            timestamp=datetime.fromisoformat(made_on).replace(tzinfo=UTC),
        )
    if not isinstance(pdf, bytes):
        raise TypeError("the PDF came back in pieces; one file was expected")
    return pdf


def _jpeg(still: Still) -> bytes:
    done, packed = cv2.imencode(
        ".jpg", cv2.cvtColor(still.image, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, 85]
    )
    if not done:
        raise ValueError(f"the still {still.caption!r} cannot be packed as a picture")
    return packed.tobytes()


def _asked(evidence: StudentEvidence) -> list[str]:
    return list(dict.fromkeys(film.asked for film in evidence.films if film.asked))


def _data(e: StudentEvidence) -> dict[str, Any]:
    comparison = e.comparison
    first, last = e.films[0].filmed_on, e.films[-1].filmed_on
    films = "film" if len(e.films) == 1 else "films"
    who = [f"{e.hand.capitalize()}-handed." if e.hand else ""]
    who.append(f"Group: {', '.join(e.groups)}." if e.groups else "")
    when = first if first == last else f"{first} to {last}"
    who.append(f"{e.n_serves} serves in {len(e.films)} {films}, {when}. Page made on {e.made_on}.")
    return {
        "title": f"Serve placement: student {e.code}",
        "standing": words.STANDING,
        "demo": words.DEMO if e.is_demo else "",
        "who": " ".join(filter(None, who)),
        "pictures": {
            p.name: {"file": f"{p.name}.png", "alt": p.alt, "caption": p.caption}
            for p in e.pictures
        },
        "targets": [_target(row) for row in e.targets],
        "counted": "Close: the zone is less than 80% sure; counted by the "
        f"likelier zone. {words.HOW_COUNTED}",
        "figures": [
            {
                "label": f.label, "words": f.words, "n": str(f.n), "meaning": f.meaning,
                "bar": f.unit == "%" and f.n > 0, **_ends(f.value, f.low, f.high),
            }
            for f in e.figures
        ],
        "shares": _shares(e),
        "zones": "Side: thirds of the width as the server sees them. Landing: thirds of the "
        f"receiver's half from the net, by the first bounce. {_sentence(e.depth_rule)}",
        "compared": f"{comparison.first} against {comparison.second} (the first and the last day; "
        "this one comparison is made, none was picked out):"
        if comparison
        else "",
        "sentences": [*comparison.sentences, e.trend_words] if comparison else [],
        "stills": [
            {"file": f"still{i}.jpg", "alt": s.alt, "caption": s.caption}
            for i, s in enumerate(e.stills)
        ],
        "stills_rule": _STILLS_RULE,
        "stills_missing": e.stills_missing,
        "not_shown": list(words.NOT_SHOWN),
        "cautions": list(words.CAUTIONS),
        "films": [
            {
                "name": ", ".join(filter(None, (f.filmed_on, f.clip, f.place))), "clip": f.clip,
                "n": str(f.n_serves), "measured": f"{f.picture}; {f.quality}",
                "close": str(f.close), "unclear": str(f.unclear), "corrected": str(f.corrected),
                "sha256": f.sha256, "version": f.version,
            }
            for f in e.films
        ],
        "asked": [f"Asked: {text}" for text in _asked(e)],
        "trace": [{"clip": t.clip, "called": t.called, "serves": t.serves} for t in e.trace],
        "trace_key": "Time in the clip at which the serve begins; + hit, − not hit (with the "
        "fault), * corrected by hand.",
        "made": f"Page made with serve-placement {e.version}.",
    }  # fmt: skip


def _target(row: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "letter": row["letter"],
        "called": ", ".join(filter(None, (row["target"], row["stroke"]))),
        "hits": f"{row['hits']} of {row['n']}",
        "close": f"{row['close']} close" if row["close"] else "",
        "ends": f"{percent(row['low'])} to {percent(row['high'])}",
        **_ends(row["rate"], row["low"], row["high"]),
    }


def _ends(value: float, low: float, high: float) -> dict[str, float]:
    """Numbers fit for JSON: what is not known is nought and not drawn."""
    names = ("value", "low", "high")
    return {n: v if v == v else 0.0 for n, v in zip(names, (value, low, high), strict=True)}


def _shares(e: StudentEvidence) -> list[dict[str, Any]]:
    rows = []
    for kind, part in e.shares.groupby("kind", sort=False):
        cells: Sequence[str] = [
            f"{r['zone']}: {r['hits']} of {r['n']}"
            + (f", {percent(r['share'])} ({100 * r['low']:.0f} to {percent(r['high'])})"
               if r["n"] else "")
            for r in part.to_dict("records")
        ]  # fmt: skip
        rows.append({"kind": str(kind).capitalize(), "zones": list(cells)})
    return rows


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + "."
