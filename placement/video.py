"""Frames of a clip, upright, with true times.

A frame's time is its presentation time stamp in seconds from the clip's first frame, never a
count divided by a rate: phones record with a variable rate. Pictures are turned upright by the
container's rotation flag. Only luma and the red-difference plane are unpacked for each frame,
without a copy where the stored layout allows it; a colour picture is made for stills alone.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
from av.video.frame import VideoFrame

#: Smallest side, px, in which a table with a ball on it can be resolved at all.
SMALLEST_SIDE = 160

_STRAIGHT_PX = 0.06  # that a turn may move the picture's edges against its middle, to count as none


class VideoError(ValueError):
    """A clip cannot be used; the message is one sentence: what, where, what to do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipInfo:
    """What a clip is, read from its packets without decoding it.

    Attributes
    ----------
    path : Path
    width, height : int
        Of the upright picture, px.
    rotation_deg : int
        Counter-clockwise turn that makes the stored picture upright.
    codec : str
    bit_depth : int
    n_frames : int
    duration_s : float
        From the first frame to the end of the last.
    fps : float
        One over the median gap between frames.
    uneven_share : float
        Share of gaps that differ from the median gap by more than a quarter of it.
    keyframe_gap_s : float
        Median time between key frames; NaN with fewer than two.
    """

    path: Path
    width: int
    height: int
    rotation_deg: int
    codec: str
    bit_depth: int
    n_frames: int
    duration_s: float
    fps: float
    uneven_share: float
    keyframe_gap_s: float

    @property
    def read_direction(self) -> float:
        """Which way the sensor's rows follow one another, as a rule, in the upright picture.

        1 downwards or to the right, -1 upwards or to the left; 0 where that is not known, of a film
        taken upright whose pixels a program turned.
        """
        quarter = round(self.rotation_deg / 90) % 4
        if quarter % 2 == 0 and self.height > self.width:
            return 0.0
        return 1.0 if quarter < 2 else -1.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Frame:
    """One upright frame.

    Attributes
    ----------
    index : int
        Place in presentation order, from 0.
    time_s : float
        From the clip's first frame, by presentation time stamps.
    luma : ndarray of uint8, shape (H, W)
    red : ndarray of uint8, shape (about H / 2, about W / 2)
        The red-difference (Cr) plane; 128 is neutral.
    damaged : bool
        Whether the decoder had to make parts of it up.
    turn : ndarray, shape (2, 3), or None
        Where a picture that trembled was brought back (`placement.steady`): takes (u, v, 1) of what
        is shown here to (u, v) of the frame as it was filmed.
    """

    index: int
    time_s: float
    luma: np.ndarray
    red: np.ndarray
    damaged: bool
    _source: VideoFrame
    turn: np.ndarray | None = None

    def bgr(self) -> np.ndarray:
        """The frame in colour, uint8, shape (H, W, 3)."""
        picture = _turned(self._source.to_ndarray(format="bgr24"), self._source.rotation)
        return picture if self.turn is None else brought_back(picture, self.turn)


def probe_clip(path: str | Path) -> ClipInfo:
    """Say what a clip is.

    Raises
    ------
    VideoError
        If the file is missing, is no video, or holds fewer than three frames or a tiny picture.
    """
    path = Path(path)
    with _opened(path) as container:
        stream = container.streams.video[0]
        times, keys = [], []
        try:
            for packet in container.demux(stream):
                if packet.pts is not None:
                    times.append(packet.pts)
                    if packet.is_keyframe:
                        keys.append(packet.pts)
        except av.error.FFmpegError as error:
            if len(times) < 3:
                raise _damaged(path) from error
        context = stream.codec_context
        base = float(stream.time_base or 0)
        bit_depth = max((c.bits for c in context.format.components), default=8)
        codec = context.name
        width, height = context.width, context.height
    if len(times) < 3:
        raise VideoError(
            f"{path.name} holds {len(times)} frame(s), too few to follow a ball; "
            "choose a film clip."
        )
    rotation = _first_rotation(path)
    if rotation % 180:
        width, height = height, width
    if min(width, height) < SMALLEST_SIDE:
        raise VideoError(
            f"{path.name} is only {width} x {height} px, too small to see a ball; "
            "film in 720p or more."
        )
    ordered = np.sort(np.asarray(times, dtype=float)) * base
    gaps = np.diff(ordered)
    gap = float(np.median(gaps[gaps > 0])) if np.any(gaps > 0) else float("nan")
    key_gaps = np.diff(np.sort(np.asarray(keys, dtype=float))) * base
    return ClipInfo(
        path=path,
        width=width,
        height=height,
        rotation_deg=rotation,
        codec=codec,
        bit_depth=int(bit_depth),
        n_frames=len(times),
        duration_s=float(ordered[-1] - ordered[0] + gap),
        fps=1.0 / gap,
        uneven_share=float(np.mean(np.abs(gaps - gap) > gap / 4)),
        keyframe_gap_s=float(np.median(key_gaps)) if len(key_gaps) else float("nan"),
    )


def read_frames(path: str | Path) -> Iterator[Frame]:
    """Decode a clip from its first frame to its last readable one.

    The planes of a frame are views of the decoder's memory: they stay valid while it is kept.
    A clip cut off in the middle ends with its last whole frame.

    Raises
    ------
    VideoError
        If the file cannot be opened or not a single frame decodes.
    """
    path = Path(path)
    with _opened(path) as container:
        yield from _decoded(path, container)


def read_key_frames(path: str | Path, until_s: float) -> Iterator[Frame]:
    """Decode only those frames of a clip's beginning that stand for themselves.

    A phone writes one about every second, and decoding them alone costs little. Their `index`
    counts key frames. Times are from the first of them, which is the clip's first frame.

    Raises
    ------
    VideoError
        If the file cannot be opened or not a single frame decodes.
    """
    path = Path(path)
    with _opened(path) as container:
        container.streams.video[0].codec_context.skip_frame = "NONKEY"
        for frame in _decoded(path, container):
            if frame.time_s > until_s:
                break
            yield frame


def _decoded(path: Path, container: Any) -> Iterator[Frame]:
    stream = container.streams.video[0]
    stream.thread_type = "AUTO"
    # one more than it would take itself: while one frame is searched, the others go on
    stream.codec_context.thread_count = (os.cpu_count() or 1) + 2
    # frames that no other is built from are left unsmoothed: a twelfth of the work in some films
    stream.codec_context.options = {"skip_loop_filter": "noref"}
    first: float | None = None
    last = -np.inf
    index = 0
    decoder = container.decode(stream)
    while True:
        try:
            source = next(decoder)
        except StopIteration:
            break
        except av.error.FFmpegError as error:
            if first is None:
                raise _damaged(path) from error
            break
        time = source.time
        if time is None or time <= last:
            continue  # a repeated stamp shows the same instant twice
        last = time
        first = time if first is None else first
        luma, red = _planes(source)
        yield Frame(
            index=index, time_s=time - first, luma=luma, red=red,
            damaged=bool(source.is_corrupt), _source=source,
        )  # fmt: skip
        index += 1
    if first is None:
        raise _damaged(path)


def file_sha256(path: str | Path) -> str:
    """SHA-256 of a file, in hexadecimal."""
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _opened(path: Path) -> Any:
    if path.is_dir():
        raise VideoError(f"{path} is a folder; name a film clip in it.")
    if not path.exists():
        raise VideoError(f"{path} does not exist; check the name and the folder.")
    if path.stat().st_size == 0:
        raise VideoError(f"{path.name} is empty (0 bytes); copy it from the phone again.")
    try:
        container = av.open(str(path))
    except (av.error.FFmpegError, OSError, ValueError) as error:
        raise VideoError(
            f"{path.name} cannot be read as a film; choose a clip as the phone recorded it "
            "(MP4 or MOV)."
        ) from error
    if not container.streams.video:
        container.close()
        raise VideoError(f"{path.name} holds no picture, only sound or data; choose a film clip.")
    return container


def _damaged(path: Path) -> VideoError:
    return VideoError(
        f"{path.name} is damaged: no frame of it can be decoded; copy it from the phone again."
    )


def _first_rotation(path: Path) -> int:
    """The rotation flag stands on frames only, so one frame must be decoded."""
    with _opened(path) as container:
        try:
            return int(next(container.decode(video=0)).rotation)
        except (StopIteration, av.error.FFmpegError) as error:
            raise _damaged(path) from error


def _planes(source: VideoFrame) -> tuple[np.ndarray, np.ndarray]:
    """Upright 8-bit luma and red-difference planes of a decoded frame."""
    name = source.format.name
    if not name.startswith(("yuv420p", "yuvj420p")):
        source = source.reformat(format="yuv420p")
        name = "yuv420p"
    deep = name not in ("yuv420p", "yuvj420p")
    planes = []
    for number, (height, width) in (
        (0, (source.height, source.width)),
        (2, ((source.height + 1) // 2, (source.width + 1) // 2)),
    ):
        plane: Any = source.planes[number]
        if deep:
            bits = source.format.components[0].bits
            words = np.frombuffer(plane, np.uint16).reshape(-1, plane.line_size // 2)
            picture = cv2.convertScaleAbs(words[:height, :width], alpha=2.0 ** (8 - bits))
        else:
            picture = np.frombuffer(plane, np.uint8).reshape(-1, plane.line_size)[:height, :width]
        planes.append(_turned(picture, source.rotation))
    return planes[0], planes[1]


def brought_back(picture: np.ndarray, turn: np.ndarray) -> np.ndarray:
    """A picture as it looks where another was taken, by cubic convolution.

    Parameters
    ----------
    picture : ndarray of uint8, shape (H, W) or (H, W, 3)
    turn : ndarray, shape (2, 3)
        Takes (u, v, 1) there to (u, v) of the picture.
    """
    size = picture.shape[1::-1]
    middle = (np.array(size) - 1) / 2
    shift = turn @ np.append(middle, 1) - middle
    bent = np.abs(turn[:, :2] - np.eye(2)) @ middle
    whole = np.floor(shift)
    if bent.max() > _STRAIGHT_PX or (np.abs(whole + 0.5) > 2).any():
        return cv2.warpAffine(
            picture, turn, size,
            flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE,
        )  # fmt: skip
    # nothing but a shift: the same along rows and then along columns, in a fifth of the time
    along, across = (_cubic_taps(part) for part in shift - whole)
    anchor = (1 - int(whole[0]), 1 - int(whole[1]))
    return cv2.sepFilter2D(
        picture, -1, along, across, anchor=anchor, borderType=cv2.BORDER_REPLICATE
    )


def _cubic_taps(part: float) -> np.ndarray:
    """Weights of the four pixels about a place between the second and the third.

    Keys, "Cubic convolution interpolation", IEEE Trans. ASSP 29 (1981), with a = -0.75 as OpenCV.
    """
    d = np.array([1 + part, part, 1 - part, 2 - part])
    a = -0.75
    near = (a + 2) * d**3 - (a + 3) * d**2 + 1
    far = a * (d**3 - 5 * d**2 + 8 * d - 4)
    return np.where(d <= 1, near, far)


def _turned(picture: np.ndarray, rotation_deg: float) -> np.ndarray:
    """Turn a stored picture upright; `rotation_deg` counts counter-clockwise."""
    quarter = round(rotation_deg / 90) % 4
    if quarter == 0:
        return picture
    code = (cv2.ROTATE_90_COUNTERCLOCKWISE, cv2.ROTATE_180, cv2.ROTATE_90_CLOCKWISE)[quarter - 1]
    return cv2.rotate(picture, code)
