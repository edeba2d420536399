"""Films brought in: what a file holds, in plain words, and which folders may be looked into."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from placement.video import ClipInfo, VideoError, probe_clip

FILM_ENDINGS = (".mp4", ".mov", ".m4v", ".mkv", ".avi", ".webm", ".3gp", ".mts", ".ts")
_MOST_LISTED = 400
_HEADS: tuple[tuple[int, bytes], ...] = (
    (4, b"ftyp"), (4, b"moov"), (4, b"mdat"), (4, b"wide"), (4, b"free"),  # MP4 and MOV
    (0, b"\x1a\x45\xdf\xa3"),  # Matroska and WebM
    (0, b"RIFF"),  # AVI
    (0, b"\x47"), (4, b"\x47"),  # transport streams
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class FolderView:
    """A folder as the page shows it."""

    root: int
    inside: str  # path below the root, with forward slashes; empty for the root itself
    name: str
    folders: tuple[tuple[str, str], ...]  # (name, path below the root)
    films: tuple[tuple[str, str, int], ...]  # (name, path below the root, bytes)


def looks_like_film(head: bytes) -> bool:
    """Whether a file begins as films do; the name is not asked."""
    return any(head[at : at + len(mark)] == mark for at, mark in _HEADS)


def safe_name(name: str) -> str:
    """A file name that is only a name, on every system."""
    name = re.split(r"[/\\]", name)[-1]
    name = re.sub(r"[^\w.\- ]", "_", name).strip(" .")
    stem, dot, ending = name.rpartition(".")
    if not dot or f".{ending.lower()}" not in FILM_ENDINGS:
        stem, ending = name, "mp4"
    return f"{stem[:80] or 'film'}.{ending}"


def inside_roots(roots: tuple[Path, ...], root: int, inside: str) -> Path:
    """A path below one of the folders that may be looked into, links followed.

    Raises
    ------
    VideoError
        If it leads out of the folder, whatever it is written like, or is hidden.
    """
    if not 0 <= root < len(roots) or "\0" in inside:
        raise VideoError("This folder is not among those that may be looked into.")
    base = roots[root].resolve()
    try:
        path = (base / inside).resolve()
    except (OSError, RuntimeError, ValueError) as error:
        raise VideoError("This path cannot be followed.") from error
    hidden = any(part.startswith(".") for part in path.parts[len(base.parts) :])
    if not path.is_relative_to(base) or hidden:
        raise VideoError("This path leads out of the folders that may be looked into.")
    return path


def list_folder(roots: tuple[Path, ...], root: int, inside: str) -> FolderView:
    """Folders and films in a folder that may be looked into.

    Raises
    ------
    VideoError
        If it may not, or is no folder that can be read.
    """
    path = inside_roots(roots, root, inside)
    base = roots[root].resolve()
    folders: list[tuple[str, str]] = []
    films: list[tuple[str, str, int]] = []
    try:
        for entry in sorted(path.iterdir(), key=lambda p: p.name.lower()):
            below = entry.relative_to(base).as_posix()
            if entry.name.startswith("."):
                continue
            try:
                if entry.is_dir():
                    folders.append((entry.name, below))
                elif entry.suffix.lower() in FILM_ENDINGS and entry.is_file():
                    films.append((entry.name, below, entry.stat().st_size))
            except OSError:
                continue  # a broken link or a file that may not be read
    except OSError as error:
        raise VideoError(f"The folder {path.name} cannot be read.") from error
    return FolderView(
        root=root,
        inside=path.relative_to(base).as_posix().removeprefix("."),
        name=path.name or str(path),
        folders=tuple(folders[:_MOST_LISTED]),
        films=tuple(films[:_MOST_LISTED]),
    )


def probe(path: Path, *, changed_s: float | None = None) -> dict[str, Any]:
    """What a film is, as plain values to be kept.

    Parameters
    ----------
    path : Path
        File.
    changed_s : float, optional
        When the file was last changed, s since 1970, where the file itself does not say: copies
        are made today, and the day of filming is what a person wants to see.

    Raises
    ------
    VideoError
        If it is no film that can be measured; one sentence.
    """
    with path.open("rb") as stream:
        head = stream.read(64)
    if not looks_like_film(head):
        raise VideoError(f"{path.name} is not a film; choose a clip as the phone recorded it.")
    info = probe_clip(path)
    names = ("width", "height", "rotation_deg", "codec", "n_frames", "duration_s", "fps",
             "uneven_share", "keyframe_gap_s")  # fmt: skip
    values = {name: getattr(info, name) for name in names}
    finite = {k: v for k, v in values.items() if not (isinstance(v, float) and v != v)}
    changed = path.stat().st_mtime if changed_s is None else changed_s
    return finite | {
        "words": probe_words(info),
        "warnings": probe_warnings(info),
        "day": date.fromtimestamp(changed).isoformat(),
    }


def probe_words(info: ClipInfo) -> str:
    """What the film is, in one sentence."""
    minutes, seconds = divmod(round(info.duration_s), 60)
    length = f"{minutes} min {seconds} s" if minutes else f"{seconds} s"
    upright = ", filmed upright" if info.height > info.width else ""
    return (
        f"{length} long, {info.width} × {info.height}, {info.fps:.0f} pictures a second{upright}."
    )


def probe_warnings(info: ClipInfo) -> list[str]:
    """What about the film will hurt the measuring, each as one sentence with what to do."""
    said = []
    if info.fps < 45:
        said.append(
            f"{info.fps:.0f} pictures a second is few: places will be less exact. "
            "Set the phone to 60 or 120 for the next lesson."
        )
    if min(info.width, info.height) < 700:
        said.append("The picture is small: the ball is hard to see. Film in 1080p next time.")
    if info.height > info.width:
        said.append("The phone was held upright: turn it on its side to see the table larger.")
    if info.uneven_share > 0.05:
        said.append(
            "The phone did not take its pictures at even steps. The times are read from the film, "
            "so nothing is lost, but more light helps."
        )
    return said
