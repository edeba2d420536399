"""One ball's path over its bounces, with derivatives by all unknowns in the same pass.

A fit needs the path and how each of its unknowns moves it. Flights between contacts are those of
`placement.collocation`. Time and place of the first bounce only shift the path; later unknowns
reach later flights only, through the chain rule at each bounce (`placement.chain`).

Units and the order of the unknowns: see `placement.trajectory`. Source: Hairer, Norsett and Wanner,
Solving Ordinary Differential Equations I, 2nd ed. (1993), section I.14.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from placement.chain import (
    CONTACT,
    EACH_LIMITS,
    LEAVING_LIMITS,
    PLACE,
    SHARED_LIMITS,
    TIME,
    differentiate,
    follow,
    picture_slopes,
    state_slopes,
    trace,
)
from placement.collocation import NODES_LONG


class Traced:
    """A path traced through its bounces.

    Inside, the velocity after each bounce takes the place of its restitution and unexplained
    change of speed: pictures depend on it almost linearly, and each flight begins from unknowns of
    its own. Restitution, friction and grip then only tell which velocities are likely.

    Parameters
    ----------
    unknowns : ndarray, shape (12 + 3 K,)
        See `placement.trajectory`.
    n_bounces : int
        K.
    leaving : bool
        Whether the last three of each bounce are the velocity after it, (z, x, y), m/s, instead of
        its restitution and unexplained changes.

    Attributes
    ----------
    theta, left : ndarray, shape (12 + 3 K,)
        The unknowns in either form, held within what balls can do.
    """

    __slots__ = (
        "_contacts", "_counts", "_held", "_nodes", "_slopes", "_spans", "left", "theta",
    )  # fmt: skip

    def __init__(self, unknowns: np.ndarray, n_bounces: int, *, leaving: bool = False) -> None:
        low, high = _limits(n_bounces, leaving)
        given = np.clip(unknowns, low, high)
        self._held = held = given != unknowns
        if not leaving:
            held[12:] = False  # these are given by the velocities after
        self._slopes: _Slopes | None = None
        # flight 0 is that before the first bounce, k that after the kth
        self._nodes = np.empty((n_bounces + 1, NODES_LONG, 7))
        self._spans = np.zeros(n_bounces + 1)
        self._counts = np.zeros(n_bounces + 1, np.int64)
        self._contacts = np.empty((n_bounces, CONTACT))
        other = np.empty(len(given))
        trace(given, leaving, other, self._contacts, self._spans, self._counts, self._nodes)
        self.theta: np.ndarray = other if leaving else given
        self.left: np.ndarray = given if leaving else other

    @property
    def times(self) -> np.ndarray:
        """Of the bounces, s, shape (K,)."""
        return self._contacts[:, TIME]

    @property
    def places(self) -> np.ndarray:
        """Of the bounces, (x, y), m, shape (K, 2)."""
        return self._contacts[:, PLACE : PLACE + 2]

    def at(self, times: np.ndarray) -> tuple[np.ndarray, np.ndarray, Parts]:
        """Positions and velocities at `times` (N,), each (N, 3), and how they came about."""
        times = np.ascontiguousarray(times, dtype=float)
        order = None
        if len(times) > 1 and (times[1:] < times[:-1]).any():
            order = np.argsort(times, kind="stable")
            times = times[order]
        edges = np.empty(len(self._contacts) + 2, np.int64)
        both = np.empty((2, len(times), 3))
        if follow(
            times, self.theta[10], self.theta[11], self._contacts, self._spans, self._counts,
            self._nodes, edges, both,
        ):  # fmt: skip
            self._slopes = None
        parts = Parts(times, edges, order)
        if order is not None:
            both = both[:, np.argsort(order)]
        return both[0], both[1], parts

    def _differentiated(self) -> _Slopes:
        """Derivatives by the unknowns in the form with velocities after bounces."""
        if self._slopes is None:
            last, p = len(self._contacts), len(self.left)
            slopes = _Slopes(
                np.zeros((last + 1, 12, p)), np.empty((last, 4, p)), np.eye(p),
                np.empty((last + 1, 3 * NODES_LONG, 8)),
            )  # fmt: skip
            differentiate(
                self.left, self._held, self._contacts, self._spans, self._counts, self._nodes,
                slopes.chain, slopes.contacts, slopes.theta, slopes.rates,
            )  # fmt: skip
            self._slopes = slopes
        return self._slopes

    def contact_slopes(self) -> np.ndarray:
        """Derivatives of time, x, y and z of each bounce by `left`, shape (K, 4, P)."""
        return self._differentiated().contacts

    def theta_slopes(self) -> np.ndarray:
        """Derivatives of `theta` by `left`, shape (P, P)."""
        return self._differentiated().theta

    def by_theta(self, slopes: np.ndarray) -> np.ndarray:
        """Derivatives (..., P) by `left` turned into derivatives by `theta`."""
        return slopes @ np.linalg.inv(self.theta_slopes())

    def state_slopes(self, velocity: np.ndarray, parts: Parts) -> np.ndarray:
        """Derivatives of positions and velocities by `left`, shape (N, 6, P).

        `velocity` and `parts` are those that `at` has returned for sorted times.
        """
        slopes = self._differentiated()
        out = np.empty((len(velocity), 6, len(self.left)))
        state_slopes(
            parts.times, velocity, parts.edges, self.left[10], self.left[11], self._contacts,
            self._spans, self._counts, slopes.chain, slopes.rates, out,
        )  # fmt: skip
        return out

    def picture_slopes(self, gain: np.ndarray, velocity: np.ndarray, parts: Parts) -> np.ndarray:
        """`gain` (N, 2, 3) times the derivatives of the positions by `left`, shape (N, 2, P).

        `velocity` and `parts` are those that `at` has returned.
        """
        slopes = self._differentiated()
        if parts.order is not None:
            gain, velocity = gain[parts.order], velocity[parts.order]
        out = np.empty((len(gain), 2, len(self.left)))
        picture_slopes(
            np.ascontiguousarray(gain), parts.times, velocity, parts.edges, self._contacts,
            self._spans, self._counts, slopes.chain, slopes.rates, out,
        )  # fmt: skip
        return out if parts.order is None else out[np.argsort(parts.order)]


@dataclass(frozen=True, slots=True, eq=False)
class _Slopes:
    """Derivatives of a path by its P unknowns, in the form with velocities after bounces.

    Attributes
    ----------
    chain : ndarray, shape (K + 1, 12, P)
        At the beginning of each flight; rows place, velocity, spin (3 each), drag, lift, time.
    contacts : ndarray, shape (K, 4, P)
        Time and place of each bounce.
    theta : ndarray, shape (P, P)
        The unknowns in the other form.
    rates : ndarray, shape (K + 1, 36, 8)
        Accelerations by what a flight begins with, its first 3 n rows.
    """

    chain: np.ndarray
    contacts: np.ndarray
    theta: np.ndarray
    rates: np.ndarray


@dataclass(frozen=True, slots=True, eq=False)
class Parts:
    """How positions at some times came about: which lie in which flight."""

    times: np.ndarray  # (N,), sorted
    edges: np.ndarray  # (K + 2,), first row of each flight, and N
    order: np.ndarray | None  # that sorts the times; None if they are sorted


@lru_cache(maxsize=32)
def _limits(n_bounces: int, leaving: bool) -> tuple[np.ndarray, np.ndarray]:
    each = LEAVING_LIMITS if leaving else EACH_LIMITS
    free = [(-np.inf, np.inf)] * 3
    low, high = zip(*free, *SHARED_LIMITS, *(each * n_bounces), strict=True)
    return np.array(low), np.array(high)
