"""What lies behind a ball: at each pixel, the pair of frames about it that agrees on that.

As a rule the frames shortly before and after show it, or those longer before and after while the
ball has hardly moved on. Where someone walks by, or the server's arm swings, one pair may agree
where the other does not. (One frame of each pair would show more balls, and limbs as balls.)
"""

from __future__ import annotations

import math

import numpy as np

from placement.compiled import compiled

_APART = 12  # grey levels by which two frames differ that do not show the same
_SHARE = 0.15  # of the ball's disc where they do, from which on others are looked at
_BETTER = 2  # times closer two others must agree
_BEYOND = 2.5  # px beyond its outline that a ball's picture reaches


@compiled
def disagreeing(
    patches: np.ndarray, centres: np.ndarray, radii: np.ndarray, out: np.ndarray
) -> None:
    """Where the frames before and after do not show the same behind the ball.

    Parameters
    ----------
    patches : ndarray of uint8, shape (N, 3, P, P)
        Luma before, in and after a frame.
    centres : ndarray, shape (N, 2)
        (u, v) of the ball, px from the patch's first pixel.
    radii : ndarray, shape (N,)
        px.
    out : ndarray of bool, shape (N,)
        Filled in.
    """
    side = patches.shape[2]
    for k in range(len(patches)):
        reach = radii[k] + _BEYOND
        differ, disc = 0, 0
        for row in range(max(0, math.ceil(centres[k, 1] - reach)), side):
            dv = row - centres[k, 1]
            if dv > reach:
                break
            for column in range(max(0, math.ceil(centres[k, 0] - reach)), side):
                du = column - centres[k, 0]
                if du > reach:
                    break
                if du * du + dv * dv < reach * reach:
                    disc += 1
                    before = np.int64(patches[k, 0, row, column])
                    if abs(before - np.int64(patches[k, 2, row, column])) > _APART:
                        differ += 1
        out[k] = differ > _SHARE * disc


@compiled
def put_together(
    planes: np.ndarray, centre: np.ndarray, radius: float, shift: np.ndarray, streak: float,
    near: bool, out: np.ndarray,
) -> None:  # fmt: skip
    """The frames before and after, and in their stead the other pair where it agrees far better.

    Parameters
    ----------
    planes : ndarray of uint8, shape (5, P, P)
        Long before, shortly before, in, shortly after and long after the frame.
    centre : ndarray, shape (2,)
        (u, v) of the ball, px from the patch's first pixel.
    radius : float
        px.
    shift : ndarray, shape (2,)
        px that the ball flies in the short step.
    streak : float
        px that it flies while the shutter is open.
    near : bool
        Whether the short step is the usual one here.
    out : ndarray of uint8, shape (3, P, P)
        Before, in and after the frame; filled in.
    """
    side = planes.shape[1]
    usual = 1 if near else 0
    clear = (radius + _BEYOND + streak / 2) ** 2
    for row in range(side):
        for column in range(side):
            out[1, row, column] = planes[2, row, column]
            first, last = usual, 4 - usual
            a, b = np.int64(planes[first, row, column]), np.int64(planes[last, row, column])
            apart = abs(a - b)
            if apart > _APART:
                du, dv = column - centre[0], row - centre[1]
                # where the ball was shortly before, or is shortly after, it hides what is there
                before = (du + shift[0]) ** 2 + (dv + shift[1]) ** 2 > clear
                after = (du - shift[0]) ** 2 + (dv - shift[1]) ** 2 > clear
                i, j = 1 - usual, 3 + usual  # the other pair
                c, d = np.int64(planes[i, row, column]), np.int64(planes[j, row, column])
                if (near or (before and after)) and abs(c - d) * _BETTER < apart:
                    first, last = i, j
            out[0, row, column] = planes[first, row, column]
            out[2, row, column] = planes[last, row, column]
