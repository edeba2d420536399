"""From linear light to what a phone writes: tone curve, sharpening, noise, 4:2:0, encoder."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np

TICKS = 90_000  # per second, a common clock of phone films


def _halved(plane: np.ndarray) -> np.ndarray:
    """Colour at half size: each sample on an even column, midway between two rows.

    Source: ITU-T H.264, E.2.1, sample location type 0, which holds where a film says nothing.
    """
    left = cv2.copyMakeBorder(plane, 0, 0, 1, 0, cv2.BORDER_REPLICATE)
    wide = (left[:, :-2:2] + 2 * plane[:, ::2] + plane[:, 1::2]) / 4
    return np.asarray((wide[::2] + wide[1::2]) / 2, np.float32)


class Sensor:
    """Tone, colour and noise of one film."""

    def __init__(
        self,
        size: tuple[int, int],
        *,
        exposure: float,
        contrast: float,
        noise: float,
        blur: float,
        sharpen: float,
        vignette: float,
        tint: tuple[float, float, float],
        bits: int,
        seed: int,
    ) -> None:
        w, h = size
        self.size, self.blur, self.sharpen, self.bits, self.noise = size, blur, sharpen, bits, noise
        x = np.linspace(0.0, 6.0, 4097) ** 2 / 6.0
        tone = (1 - np.exp(-1.7 * exposure * x)) ** (1 / 2.2)
        tone = tone + contrast * (tone - tone**2) * (2 * tone - 1)
        self.lut = np.clip(tone, 0, 1).astype(np.float32)
        u = (np.arange(w, dtype=np.float32) - (w - 1) / 2) / (w / 2)
        v = (np.arange(h, dtype=np.float32) - (h - 1) / 2) / (w / 2)
        r2 = u[None] ** 2 + v[:, None] ** 2
        fall = 1 / (1 + vignette * r2) ** 2
        self.fall = (fall[..., None] * np.array(tint, np.float32)).astype(np.float32)
        self.rng = np.random.default_rng(seed)

        def tile(hh: int, ww: int, sigma: float) -> np.ndarray:
            g = self.rng.standard_normal((hh, ww)).astype(np.float32)
            g = cv2.GaussianBlur(g, (0, 0), sigma)
            return g / g.std()

        self.luma_noise = tile(h + 64, w + 64, 0.55)
        self.chroma_noise = tile(h // 2 + 64, w // 2 + 64, 0.9)

    def develop(
        self, patch: np.ndarray, x: int, y: int
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Y, Cb, Cr as float32, 8-bit studio range; chroma at half size. Even corner and size."""
        h, w = patch.shape[:2]
        light = cv2.GaussianBlur(patch, (0, 0), self.blur) if self.blur else patch
        light = light * self.fall[y : y + h, x : x + w]
        index = cv2.sqrt(np.clip(light, 0, 6.0) * np.float32(6.0)) * np.float32(4096 / 6.0)
        rgb = self.lut[index.astype(np.uint16)]
        luma = rgb @ np.array([0.2126, 0.7152, 0.0722], np.float32)
        if self.sharpen:
            luma = luma + np.float32(self.sharpen) * (luma - cv2.GaussianBlur(luma, (0, 0), 1.3))
            luma = np.clip(luma, 0, 1.05)
        cb = _halved((rgb[..., 2] - luma) / np.float32(1.8556))
        cr = _halved((rgb[..., 0] - luma) / np.float32(1.5748))
        return 16 + 219 * luma, 128 + 224 * cb, 128 + 224 * cr

    def amplitude(self, luma: np.ndarray) -> np.ndarray:
        """Noise deviation for each pixel, 8-bit levels: more in the dark, as phones do."""
        y = np.clip((luma - 16) / 219, 0, 1)
        return (self.noise * (1.35 - 0.9 * y) * np.sqrt(0.25 + y)).astype(np.float32)

    def expose(
        self, planes: tuple[np.ndarray, np.ndarray, np.ndarray], amp: np.ndarray, gain: float = 1.0
    ) -> np.ndarray:
        """Add noise and round: one array of shape (H * 3 / 2, W) ready for the encoder."""
        w, h = self.size
        scale = 4.0 if self.bits == 10 else 1.0
        dy, dx = self.rng.integers(0, 64, 2)
        luma = cv2.multiply(amp, self.luma_noise[dy : dy + h, dx : dx + w])
        cv2.add(luma, planes[0], luma)
        if gain != 1.0:
            luma = (luma - 16) * np.float32(gain) + 16
        out = np.empty((h * 3 // 2, w), np.uint16 if self.bits == 10 else np.uint8)
        parts = [luma]
        for k, plane in enumerate(planes[1:]):
            dy, dx = self.rng.integers(0, 64, 2)
            g = self.chroma_noise[dy : dy + h // 2, dx : dx + w // 2]
            parts.append(plane + np.float32(0.55 * self.noise * (1 + 0.1 * k)) * g)
        flat = out.reshape(-1)
        at = 0
        for p in parts:
            n = p.size
            if self.bits == 10:
                flat[at : at + n] = np.clip(p * scale + 0.5, 0, 1023).astype(np.uint16).ravel()
            else:
                flat[at : at + n] = cv2.convertScaleAbs(np.maximum(p, 0)).ravel()
            at += n
        return out


class Writer:
    """Encodes frames with their own time stamps through PyAV; the file appears when closed."""

    def __init__(
        self,
        path: Path,
        size: tuple[int, int],
        *,
        fps: float,
        codec: str,
        bits: int,
        crf: int,
        preset: str,
        rotate: int,
        ticks: int = TICKS,
    ) -> None:
        self.path, self.part, self.ticks = path, path.with_suffix(".part.mp4"), ticks
        self.rotate = rotate % 360
        self.box = av.open(str(self.part), "w")
        options = {"crf": str(crf), "preset": preset}
        options["x265-params" if codec == "libx265" else "x264-params"] = (
            "log-level=error:pools=1:frame-threads=1" if codec == "libx265" else "threads=2"
        )
        self.stream = self.box.add_stream(
            codec, rate=Fraction(fps).limit_denominator(1001), options=options
        )
        w, h = size if self.rotate in (0, 180) else size[::-1]
        self.stream.width, self.stream.height = w, h
        self.stream.pix_fmt = self.format = "yuv420p10le" if bits == 10 else "yuv420p"
        self.stream.codec_context.time_base = Fraction(1, ticks)
        self.stream.codec_context.gop_size = round(fps)
        if codec == "libx265":
            self.stream.codec_context.codec_tag = "hvc1"
        if self.rotate:
            self.stream.set_display_rotation(
                self.rotate if self.rotate <= 180 else self.rotate - 360
            )
        self.size = size

    def write(self, picture: np.ndarray, ticks: int) -> None:
        """Add one upright picture, planes stacked as (H * 3 / 2, W), at a time stamp."""
        w, h = self.size
        n = w * h
        flat = picture.reshape(-1)
        planes = [
            flat[:n].reshape(h, w),
            flat[n : n + n // 4].reshape(h // 2, w // 2),
            flat[n + n // 4 :].reshape(h // 2, w // 2),
        ]
        if self.rotate:
            planes = [np.ascontiguousarray(np.rot90(p, -self.rotate // 90)) for p in planes]
            h, w = planes[0].shape
        frame = av.VideoFrame(w, h, self.format)
        for target, p in zip(frame.planes, planes, strict=True):
            row = target.line_size // p.itemsize
            buffer = np.zeros((p.shape[0], row), p.dtype)
            buffer[:, : p.shape[1]] = p
            target.update(buffer.tobytes())
        frame.pts, frame.time_base = ticks, Fraction(1, self.ticks)
        for packet in self.stream.encode(frame):
            self.box.mux(packet)

    def close(self) -> None:
        """Flush and give the file its name."""
        for packet in self.stream.encode(None):
            self.box.mux(packet)
        self.box.close()
        self.part.replace(self.path)
