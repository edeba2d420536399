"""What the analysis of one clip yields, as plain records and as tables.

Places are table coordinates in m, times s from the clip's first frame. The column names and their
order are the contract of `bounces.csv` and `serves.csv`; a figure that could not be measured is
NaN, and empty in a file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from calibration import Calibration
from placement.video import ClipInfo

if TYPE_CHECKING:
    import pandas as pd

BOUNCE_COLUMNS = (
    "clip", "time_s", "x_m", "y_m", "sd_x_m", "sd_y_m", "cov_xy_m2", "half", "kind", "probability",
)  # fmt: skip
SERVE_COLUMNS = (
    "clip", "serve", "t_start_s", "server_end", "outcome", "depth", "depth_probability", "side",
    "side_probability", "landing_x_m", "landing_y_m", "pace_m_s", "second_bounce_x_m",
    "second_bounce_sd_m", "outcome_probability", "pace_sd_m_s", "toss_rise_m", "toss_rise_sd_m",
    "net_clearance_m", "second_bounce_y_m", "topspin_rad_s", "topspin_lo", "topspin_hi",
    "sidespin_rad_s", "sidespin_lo", "sidespin_hi", "landing_third", "flags",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bounce:
    """One contact of the ball with the table.

    Attributes
    ----------
    time_s : float
    point : ndarray, shape (2,)
        (x, y), m.
    covariance : ndarray, shape (2, 2)
        m^2; calibration, pictures and timing together.
    half : str
        "server" or "receiver" where the server is known, else by the sign of x with the server
        taken to stand at the negative end.
    kind : str
        "serve", "return", "idle" or "other".
    probability : float
        That there was a contact here at all.
    serve : int or None
        Number of the serve it belongs to.
    flags : frozenset of str
        Such as "near-edge": within a ball's radius of an edge, not decided.
    """

    time_s: float
    point: np.ndarray
    covariance: np.ndarray
    half: str
    kind: str
    probability: float
    serve: int | None = None
    flags: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Crop:
    """A small picture around a bounce, for checking without decoding the film again.

    Attributes
    ----------
    time_s : float
    frame : int
    luma : ndarray of uint8, shape (H, W)
    origin : tuple of int
        (u, v) of its first pixel in the upright frame.
    """

    time_s: float
    frame: int
    luma: np.ndarray
    origin: tuple[int, int]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Serve:
    """One serve.

    Attributes
    ----------
    number : int
        From 1, in time order.
    t_start_s : float
        Start of the toss where it was seen, else of the stroke.
    t_contact_s : float
        Bat on ball.
    server_end : int
        -1 or +1: the sign of x at the server's end.
    outcome : str
        "good", "let", "net", "missed", "own-twice" or "unclear".
    outcome_probability : float
    depth, side : str
        "short", "half-long", "long"; "left", "middle", "right" as the server sees it; "" unknown.
    depth_probability, side_probability : float
    landing : ndarray, shape (2,)
        First contact with the receiver's half, (x, y), m.
    landing_covariance : ndarray, shape (2, 2)
    landing_third : str
        "near net", "middle" or "end"; "" unknown.
    second_bounce : ndarray, shape (2,)
        Where the ball met, or left alone would have met, the table's plane again.
    second_bounce_covariance : ndarray, shape (2, 2)
    second_bounce_seen : bool
        False for a prediction.
    pace_m_s, pace_sd_m_s : float
        Speed just after the bat.
    toss_rise_m, toss_rise_sd_m : float
    net_clearance_m : float
        Of the ball's lowest point above the net's top.
    topspin_rad_s, topspin_lo, topspin_hi : float
        Positive is topspin, negative backspin; 95 % interval; NaN where not measurable.
    sidespin_rad_s, sidespin_lo, sidespin_hi : float
        About the vertical; positive turns counter-clockwise seen from above.
    bounces : tuple of int
        Places in the analysis' list of bounces.
    times : ndarray, shape (N,)
        s, of the fitted path below, from bat to the end of what was followed.
    path : ndarray, shape (N, 3)
        The ball's centre, m.
    flags : frozenset of str
        "close-call-side", "close-call-depth", "predicted-second-bounce", "landing-predicted",
        "plane-only", "first-bounce-hidden", "toss-hidden", "cut-off".
    """

    number: int
    t_start_s: float
    t_contact_s: float
    server_end: int
    outcome: str
    outcome_probability: float
    depth: str = ""
    depth_probability: float = np.nan
    side: str = ""
    side_probability: float = np.nan
    landing: np.ndarray = field(default_factory=lambda: np.full(2, np.nan))
    landing_covariance: np.ndarray = field(default_factory=lambda: np.full((2, 2), np.nan))
    landing_third: str = ""
    second_bounce: np.ndarray = field(default_factory=lambda: np.full(2, np.nan))
    second_bounce_covariance: np.ndarray = field(default_factory=lambda: np.full((2, 2), np.nan))
    second_bounce_seen: bool = False
    pace_m_s: float = np.nan
    pace_sd_m_s: float = np.nan
    toss_rise_m: float = np.nan
    toss_rise_sd_m: float = np.nan
    net_clearance_m: float = np.nan
    topspin_rad_s: float = np.nan
    topspin_lo: float = np.nan
    topspin_hi: float = np.nan
    sidespin_rad_s: float = np.nan
    sidespin_lo: float = np.nan
    sidespin_hi: float = np.nan
    bounces: tuple[int, ...] = ()
    times: np.ndarray = field(default_factory=lambda: np.empty(0))
    path: np.ndarray = field(default_factory=lambda: np.empty((0, 3)))
    flags: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stand:
    """A stretch of the clip in which the stand stood still.

    Attributes
    ----------
    start_s, end_s : float
    calibration : Calibration
    """

    start_s: float
    end_s: float
    calibration: Calibration


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Analysis:
    """All that was measured in one clip.

    Attributes
    ----------
    clip : ClipInfo
    sha256 : str
    version : str
    settings : mapping
        Everything that was chosen, as JSON values; where the film itself told the readout or the
        slow motion, what it told.
    stands : tuple of Stand
        In time order; more than one if the stand was moved.
    bounces : tuple of Bounce
        In time order.
    serves : tuple of Serve
        In time order; serves cut off by the clip's start or end are flagged, and left out of
        `serves_table`.
    still : ndarray of uint8, shape (H, W, 3)
        BGR, people removed where they moved.
    crops : tuple of Crop
        Around every bounce.
    timings : mapping of str to float
        s.
    warnings : tuple of str
        Sentences a user should read.
    """

    clip: ClipInfo
    sha256: str
    version: str
    settings: Mapping[str, Any]
    stands: tuple[Stand, ...]
    bounces: tuple[Bounce, ...]
    serves: tuple[Serve, ...]
    still: np.ndarray
    crops: tuple[Crop, ...]
    timings: Mapping[str, float]
    warnings: tuple[str, ...] = ()

    @property
    def calibration(self) -> Calibration:
        """The calibration that held longest."""
        return max(self.stands, key=lambda s: s.end_s - s.start_s).calibration

    def bounces_table(self) -> pd.DataFrame:
        """One row a bounce, columns `BOUNCE_COLUMNS`."""
        import pandas as pd  # loading it takes longer than drawing a clip's pictures

        return pd.DataFrame(self.bounce_rows(), columns=list(BOUNCE_COLUMNS))

    def bounce_rows(self) -> list[tuple[Any, ...]]:
        """One tuple a bounce, in the order of `BOUNCE_COLUMNS`."""
        name = self.clip.path.stem
        return [
            (
                name, b.time_s, *b.point, *np.sqrt(np.diag(b.covariance)), b.covariance[0, 1],
                b.half, b.kind, b.probability,
            )
            for b in self.bounces
        ]  # fmt: skip

    def serves_table(self) -> pd.DataFrame:
        """One row a serve, columns `SERVE_COLUMNS`."""
        import pandas as pd

        return pd.DataFrame(self.serve_rows(), columns=list(SERVE_COLUMNS))

    def serve_rows(self) -> list[tuple[Any, ...]]:
        """One tuple a serve, in the order of `SERVE_COLUMNS`."""
        name = self.clip.path.stem
        return [
            (
                name, s.number, s.t_start_s, s.server_end, s.outcome, s.depth, s.depth_probability,
                s.side, s.side_probability, *s.landing, s.pace_m_s, s.second_bounce[0],
                float(np.sqrt(s.second_bounce_covariance[0, 0])), s.outcome_probability,
                s.pace_sd_m_s, s.toss_rise_m, s.toss_rise_sd_m, s.net_clearance_m,
                s.second_bounce[1], s.topspin_rad_s, s.topspin_lo, s.topspin_hi, s.sidespin_rad_s,
                s.sidespin_lo, s.sidespin_hi, s.landing_third, " ".join(sorted(s.flags)),
            )
            for s in self.serves
            if "cut-off" not in s.flags
        ]  # fmt: skip
