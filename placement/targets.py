"""Called zones, and the words for zones.

Table points are (x, y) in m as in `calibration.table`; `server_end` is -1 or +1, the sign of x at
the server's end. Sides are the server's. Words: common practice in the sport, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from calibration import table

Floats = NDArray[np.float64]

SIDES = ("left", "middle", "right")
DEPTHS = ("short", "half-long", "long")
LANDINGS = ("near net", "middle", "end")


@dataclass(frozen=True, slots=True)
class Target:
    """A called zone: any of side (server's view), depth by second bounce, landing third.

    Raises
    ------
    ValueError
        If a word is none of the zone names, or nothing is called at all.
    """

    side: str | None = None
    depth: str | None = None
    landing: str | None = None
    name: str = field(init=False, default="")

    def __post_init__(self) -> None:
        for word, allowed, what in (
            (self.side, SIDES, "side"),
            (self.depth, DEPTHS, "depth"),
            (self.landing, LANDINGS, "landing"),
        ):
            if word is not None and word not in allowed:
                raise ValueError(f"{what} must be one of {', '.join(allowed)}, got {word!r}")
        if self.side is None and self.depth is None and self.landing is None:
            raise ValueError("a target needs a side, a depth or a landing third")
        called = " ".join(w for w in (self.depth, self.side) if w is not None)
        third = f"{self.landing} third" if self.landing else ""
        object.__setattr__(self, "name", ", ".join(w for w in (called, third) if w))

    def rectangle(self, server_end: int) -> tuple[tuple[float, float], tuple[float, float]]:
        """Where the first bounce on the receiver's half should fall.

        The depth does not narrow it: short and long are about the second bounce.

        Parameters
        ----------
        server_end : int
            -1 or +1.

        Returns
        -------
        tuple
            ((x_low, x_high), (y_low, y_high)), m.
        """
        end = as_end(server_end)
        third = LANDINGS.index(self.landing) if self.landing else None
        past_low, past_high = (
            (0.0, table.HALF_LENGTH)
            if third is None
            else (third * table.HALF_LENGTH / 3, (third + 1) * table.HALF_LENGTH / 3)
        )
        column = SIDES.index(self.side) if self.side else None
        right_low, right_high = (
            (-table.HALF_WIDTH, table.HALF_WIDTH)
            if column is None
            else (
                -table.HALF_WIDTH + column * table.WIDTH / 3,
                -table.HALF_WIDTH + (column + 1) * table.WIDTH / 3,
            )
        )
        x = sorted((-end * past_low, -end * past_high))
        y = sorted((end * right_low, end * right_high))
        return (x[0] + 0.0, x[1] + 0.0), (y[0] + 0.0, y[1] + 0.0)

    def aim(self, server_end: int) -> Floats:
        """The middle of the called zone, table (x, y), m; NaN where nothing was called.

        A depth alone says where the second bounce should be, not the first: x is then NaN.
        """
        (x_low, x_high), (y_low, y_high) = self.rectangle(server_end)
        return np.array(
            [
                (x_low + x_high) / 2 if self.landing else np.nan,
                (y_low + y_high) / 2 if self.side else np.nan,
            ]
        )

    def is_hit(self, *, side: str, depth: str = "", landing: str = "") -> bool | None:
        """Whether a serve with these labels is in the called zone.

        Returns
        -------
        bool or None
            None where a label that the target needs is "" (not measured).
        """
        pairs = ((self.side, side), (self.depth, depth), (self.landing, landing))
        asked = [(want, got) for want, got in pairs if want is not None]
        if any(got and got != want for want, got in asked):
            return False
        return None if any(not got for _, got in asked) else True


def as_end(server_end: int) -> int:
    """Return `server_end` as an int.

    Raises
    ------
    ValueError
        If it is neither -1 nor +1.
    """
    if server_end not in (-1, 1):
        raise ValueError(f"server_end must be -1 or +1, got {server_end!r}")
    return int(server_end)
