"""From the paths of a whole film to its bounces and serves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from placement.analysis import Bounce, Serve
from placement.doubles import without_doubles
from placement.last_fit import fit_last
from placement.readout import UNTOLD_SD, find_readout
from placement.serves import find_serves
from placement.stretch import Stretch
from placement.tracing import expected_of


def conclude(
    stretches: Sequence[Stretch],
    *,
    end_s: float,
    fps: float,
    band_m: float,
    readout_s: float,
    direction: float = 1.0,
) -> tuple[list[Bounce], list[Serve], float]:
    """Fit all paths a last time, together, and tell what happened.

    Parameters
    ----------
    stretches : sequence of Stretch
    end_s : float
        Time of the film's last frame.
    fps : float
    band_m : float
        Half-width of the half-long band, m.
    readout_s : float
        As given; 0 where it is to be found.
    direction : float
        Which way the rows are read as a rule, see `placement.video.ClipInfo.read_direction`.

    Returns
    -------
    bounces : list of Bounce
    serves : list of Serve
    readout_s : float
        As given, or found; see `placement.readout`.
    """
    bounces: list[Bounce] = []
    serves: list[Serve] = []
    stands = []
    for s in stretches:
        # what follows the last bounce may reach into the motion: it fits the flight before, or is
        # no part of the path
        paths = [
            p
            for p in s.paths
            if s.start_s <= p.first_seen and p.path.bounce_times[-1] <= min(s.end_s, end_s) + 0.05
        ]
        camera, expected = s.calibration.camera, expected_of(s.calibration.camera)
        paths = without_doubles(camera, paths, expected, readout_s=readout_s or s.readout_s)
        stands.append((camera, paths, expected))
    readout_sd_s = 0.0
    if not readout_s:
        readout = find_readout(stands)
        readout_s, readout_sd_s = (
            (0.0, UNTOLD_SD) if readout is None else readout.likely(fps, direction)
        )
    for s, (camera, paths, expected) in zip(stretches, stands, strict=True):
        some, found = find_serves(
            s.calibration,
            fit_last(
                camera, paths, replace(expected, readout_sd_s=readout_sd_s), readout_s=readout_s
            ),
            band_m=band_m,
            first_s=s.start_s,
            last_s=min(s.end_s, end_s),
            readout_s=readout_s,
        )
        shift, number = len(bounces), len(serves)
        bounces += [b if b.serve is None else replace(b, serve=b.serve + number) for b in some]
        serves += [
            replace(x, number=x.number + number, bounces=tuple(k + shift for k in x.bounces))
            for x in found
        ]
    return bounces, serves, readout_s
