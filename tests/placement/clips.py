"""Films made of other films without encoding them again."""

from __future__ import annotations

from pathlib import Path

import av


def restamped(source: Path, target: Path, factor: int, until_s: float, tag: str = "") -> Path:
    """The same pictures, not encoded again, with stamps `factor` times as far apart."""
    options = {"movflags": "use_metadata_tags"}
    with av.open(str(source)) as old, av.open(str(target), "w", options=options) as new:
        if tag:
            new.metadata["com.android.capture.fps"] = tag
        stream = old.streams.video[0]
        copy = new.add_stream_from_template(stream)
        for packet in old.demux(stream):
            if packet.pts is None or packet.pts * stream.time_base >= until_s:
                continue
            packet.pts, packet.dts = packet.pts * factor, packet.dts * factor
            packet.duration *= factor
            packet.stream = copy
            new.mux(packet)
    return target
