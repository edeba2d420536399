"""Single frames of a film, quickly, forwards and backwards.

Frame n is the one with the n-th smallest presentation time stamp. The decoder goes on where it is
when the next frame is asked for; else it starts at the key frame before. Of what was decoded on the
way the last frames are kept: many after a step back, which will be followed by others, few after a
jump, which must not push out the frames about the place that is looked at.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np

from placement.video import VideoError

KEPT_FRAMES = 56  # decoded, about 3 MB each at 1080p
KEPT_BACK = 32  # of them, on the way to a frame a little before the one asked for last
KEPT_JUMP = 6  # on the way to any other
BACK = 12  # frames before the last one asked for that count as a step back
KEPT_PICTURES = 240  # packed as JPEG
OPEN_FILMS = 2
QUALITY = 82

Region = tuple[int, int, int, int]  # left, top, right, bottom, px of the upright frame


class Film:
    """One film held open.

    Parameters
    ----------
    path : Path
        A film that can be decoded.

    Raises
    ------
    VideoError
        If it cannot.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock = threading.Lock()
        try:
            self._container: Any = av.open(str(path))
            self._stream = self._container.streams.video[0]
            packets = [
                (p.pts, p.is_keyframe)
                for p in self._container.demux(self._stream)
                if p.pts is not None
            ]
        except (av.error.FFmpegError, OSError, IndexError) as error:
            raise VideoError(f"{path.name} cannot be read as a film.") from error
        if not packets:
            raise VideoError(f"{path.name} holds no frames.")
        self._pts = np.array(sorted(pts for pts, _ in packets), dtype=np.int64)
        self._keys = np.array(sorted(pts for pts, key in packets if key), dtype=np.int64)
        base = float(self._stream.time_base or 0)
        self.times = (self._pts - self._pts[0]) * base
        self._stream.thread_type = "SLICE"
        self._closed = False
        self._decoder: Any = None
        self._position = -2  # frame that the decoder gave last
        self._asked = -2  # frame that was asked for last
        self._frames: OrderedDict[int, Any] = OrderedDict()
        self._pictures: OrderedDict[tuple[int, Region | None], bytes] = OrderedDict()

    def __len__(self) -> int:
        return len(self._pts)

    def index_at(self, moment_s: float) -> int:
        """The frame nearest to a moment."""
        after = int(np.searchsorted(self.times, moment_s))
        around = [i for i in (after - 1, after) if 0 <= i < len(self.times)]
        return min(around, key=lambda i: abs(float(self.times[i]) - moment_s))

    def picture(self, index: int, region: Region | None = None) -> bytes:
        """A frame, or a part of it, as JPEG.

        Raises
        ------
        VideoError
            If there is no such frame or it cannot be decoded.
        """
        if not 0 <= index < len(self._pts):
            raise VideoError(f"{self.path.name} has no frame {index}.")
        with self._lock:
            packed = self._pictures.get((index, region))
            if packed is None:
                packed = _packed(self._colour(index), region)
                self._pictures[(index, region)] = packed
                while len(self._pictures) > KEPT_PICTURES:
                    self._pictures.popitem(last=False)
            return packed

    def colour(self, index: int) -> np.ndarray:
        """A frame, upright, BGR, uint8, shape (H, W, 3)."""
        with self._lock:
            return self._colour(index)

    def close(self) -> None:
        """Close the file."""
        with self._lock:
            self._closed = True
            self._container.close()

    def _colour(self, index: int) -> np.ndarray:
        frame = self._frames.get(index)
        if frame is None:
            frame = self._decode(index)
        else:
            self._frames.move_to_end(index)
        self._asked = index
        picture = frame.to_ndarray(format="bgr24")
        quarter = round(frame.rotation / 90) % 4
        return np.ascontiguousarray(np.rot90(picture, k=quarter)) if quarter else picture

    def _decode(self, index: int) -> Any:
        if self._closed:  # another film was opened meanwhile
            raise VideoError(f"{self.path.name} was closed; ask for the frame again.")
        try:
            near = self._decoder is not None and 0 < index - self._position <= 8
            way = KEPT_BACK if 0 < self._asked - index <= BACK else KEPT_JUMP
            if not near:
                place = int(np.searchsorted(self._keys, self._pts[index], side="right")) - 1
                start = int(self._keys[max(place, 0)]) if len(self._keys) else int(self._pts[0])
                self._container.seek(start, stream=self._stream, backward=True, any_frame=False)
                self._decoder = self._container.decode(self._stream)
            for frame in self._decoder:
                if frame.pts is None:
                    continue
                here = int(np.searchsorted(self._pts, frame.pts))
                self._position = here
                if here <= index - way:
                    continue
                self._frames[here] = frame
                self._frames.move_to_end(here)
                while len(self._frames) > KEPT_FRAMES:
                    self._frames.popitem(last=False)
                if here >= index:
                    if here > index and index not in self._frames:
                        break
                    return self._frames[index]
        except (av.error.FFmpegError, ValueError) as error:
            self._decoder = None
            raise VideoError(f"frame {index} of {self.path.name} cannot be decoded.") from error
        self._decoder = None
        raise VideoError(f"frame {index} of {self.path.name} cannot be decoded.")


class FilmShelf:
    """The films that were looked at last, held open."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._open: OrderedDict[Path, Film] = OrderedDict()

    def film(self, path: Path) -> Film:
        """A film, opened where it is not open yet.

        Raises
        ------
        VideoError
            If it cannot be read.
        """
        with self._lock:
            film = self._open.pop(path, None)
            if film is None:
                film = Film(path)
            self._open[path] = film
            while len(self._open) > OPEN_FILMS:
                self._open.popitem(last=False)[1].close()
            return film

    def drop(self, path: Path) -> None:
        """Close a film that is about to be deleted."""
        with self._lock:
            film = self._open.pop(path, None)
            if film is not None:
                film.close()

    def close(self) -> None:
        """Close all films."""
        with self._lock:
            while self._open:
                self._open.popitem()[1].close()


def _packed(picture: np.ndarray, region: Region | None) -> bytes:
    if region is not None:
        left, top, right, bottom = region
        picture = np.ascontiguousarray(picture[top:bottom, left:right])
    done, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    if not done:
        raise VideoError("a frame could not be packed as a picture.")
    return data.tobytes()
