"""From pulses to vehicles: both senses at once on one pair, in chunks of any size."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray

from countmap.errors import InvalidInput
from countmap.tubes import candidates, cover, measure, plain, runs, states
from countmap.tubes.geometry import Geometry
from countmap.tubes.model import Model, Rates, generic, learned
from countmap.tubes.vehicles import Vehicles, joined

DISORDER_US = 1_000_000  # stamps may be out of order by so much
LEARN = 20_000  # pulses from which a file's own rates are learned
BLOCK = 1 << 19  # pulses decoded at a time, whatever the chunks


@dataclass(frozen=True, slots=True, eq=False)
class Decoded:
    """A stretch of pulses decoded; every pulse is in exactly one of these.

    Parameters
    ----------
    vehicles : Vehicles
    orphans_us : ndarray of int64
        Stamps that belong to no vehicle.
    alone_us, alone_b : ndarray
        Stamps and tube (True: B) of pulses while the other tube was silent: axles without sense,
        speed or class.
    repeats : int
        Pulses that repeat the one before: bounces, and second wheels on a skewed tube.
    pulses : int
        All pulses.
    """

    vehicles: Vehicles
    orphans_us: NDArray[np.int64]
    alone_us: NDArray[np.int64]
    alone_b: NDArray[np.bool_]
    repeats: int
    pulses: int


class Decoder:
    """A cover under way: feed pulses in chunks of any size, take vehicles as they become certain.

    What comes out does not depend on the chunks.

    Parameters
    ----------
    geometry : Geometry
        Constant while this decoder lives; a re-laid pair is another decoder.
    """

    def __init__(self, geometry: Geometry) -> None:
        self._geometry = geometry
        self._shift = round(geometry.delay_s * 1e6)
        self._waiting = (np.empty(0, np.int64), np.empty(0, np.int8))
        self._ready = self._waiting
        self._newest = np.iinfo(np.int64).min // 2
        self._run = (0, -1)
        self._model: Model | None = None
        self._carry = cover.new_carry()
        self._rooms = _rooms()

    def feed(self, time_us: ArrayLike, tube: ArrayLike) -> Decoded:
        """Take a chunk of pulses; return what has become certain.

        Parameters
        ----------
        time_us : array_like of int
            Stamps in microseconds, at most a second out of order.
        tube : array_like
            0 for tube A, 1 for tube B.

        Raises
        ------
        InvalidInput
            A stamp lies more than a second before an earlier one, or arrays differ in length.
        """
        times = np.asarray(time_us, np.int64)
        tubes = np.asarray(tube, np.int8)
        if times.shape != tubes.shape or times.ndim != 1:
            raise InvalidInput(f"{len(times)} stamps but {len(tubes)} tubes. Give one for each")
        if len(times) == 0:
            return _nothing()
        if self._shift:
            times = np.where(tubes == 1, times - self._shift, times)
        newest, wrong = _in_order(times, self._newest, DISORDER_US + abs(self._shift))
        if wrong >= 0:
            raise InvalidInput(
                f"pulse {wrong + 1}: time_us {times[wrong]} lies more than a second before an "
                "earlier one. Sort the file, or split it where the clock was set"
            )
        self._newest = newest
        times = np.concatenate([self._waiting[0], times])
        tubes = np.concatenate([self._waiting[1], tubes])
        times, tubes = _sorted(times, tubes)
        cut = int(np.searchsorted(times, newest - DISORDER_US - 2 * abs(self._shift)))
        self._waiting = (times[cut:], tubes[cut:])
        return self._take(times[:cut], tubes[:cut], final=False)

    def finish(self) -> Decoded:
        """Return what is left after the last pulse."""
        times, tubes = self._waiting
        self._waiting = (times[:0], tubes[:0])
        return self._take(times, tubes, final=True)

    def _take(self, times: Any, tubes: Any, *, final: bool) -> Decoded:
        times = np.concatenate([self._ready[0], times])
        tubes = np.concatenate([self._ready[1], tubes])
        parts = []
        if self._model is None:
            if len(times) < LEARN and not final:
                self._ready = (times, tubes)
                return _nothing()
            self._model = learn(self._geometry, times[:LEARN], tubes[:LEARN])
        while True:
            block = (times[:BLOCK], tubes[:BLOCK])
            last = final and len(times) <= BLOCK
            found, done = self._decode(*block, final=last)
            parts.append(found)
            times, tubes = times[done:], tubes[done:]
            if last or (not final and (done == 0 or len(times) < BLOCK)):
                break
        self._ready = (times, tubes)
        return _merged(parts)

    def _decode(self, times: Any, tubes: Any, *, final: bool) -> tuple[Decoded, int]:
        """Decode up to where it is certain; return that and how many pulses it took."""
        assert self._model is not None
        alone, decided, *_ = runs.split(tubes, *self._run, final=final)
        times, tubes = times[:decided], tubes[:decided]
        parts, at = [], 0
        edges = np.flatnonzero(alone[1:] != alone[:-1]) + 1
        for end in [*edges.tolist(), decided]:
            if end == at:
                continue
            here = slice(at, end)
            if alone[at]:
                parts.append(_all_alone(times[here], tubes[here]))
                at = end
                self._run = (runs.ALONE, int(tubes[end - 1]))
                continue
            whole = final or end < decided
            found, done = _covered(
                times[here], tubes[here], whole, self._model, self._carry, self._rooms
            )
            parts.append(found)
            at += done
            if done:
                self._run = (0, -1)
            if at < end:
                break
        return _merged(parts), at


def decode(time_us: ArrayLike, tube: ArrayLike, geometry: Geometry) -> Decoded:
    """Return all vehicles of the pulses of one pair, in any order.

    Parameters
    ----------
    time_us : array_like of int
        Stamps in microseconds.
    tube : array_like
        0 for tube A, 1 for tube B.
    geometry : Geometry

    Examples
    --------
    A car at 72 km/h, wheelbase 2.70 m:

    >>> from countmap.tubes.geometry import entered
    >>> found = decode([0, 50_000, 135_000, 185_000], [0, 1, 0, 1], entered(1.0)).vehicles
    >>> found.speed_kmh.round(1).tolist(), found.spacings_m.round(2).tolist()
    ([72.0], [2.7])
    """
    times, tubes = _sorted(np.asarray(time_us, np.int64), np.asarray(tube, np.int8))
    return decode_chunks([(times, tubes)], geometry)


def decode_chunks(chunks: Iterable[tuple[ArrayLike, ArrayLike]], geometry: Geometry) -> Decoded:
    """Return all vehicles of pulses that come in chunks; see ``Decoder``."""
    decoder = Decoder(geometry)
    parts = [decoder.feed(times, tubes) for times, tubes in chunks]
    return _merged([*parts, decoder.finish()])


def learn(geometry: Geometry, times: NDArray[np.int64], tubes: NDArray[np.int8]) -> Model:
    """Return the model of a file from its first pulses: decoded twice, each time with what it knows."""
    seconds = float(times[-1] - times[0]) * 1e-6 if len(times) else 0.0
    model = generic(geometry, len(times) / max(seconds, 1.0))
    if len(times) < 8:
        return model
    rooms = _rooms()
    alone, *_ = runs.split(tubes, 0, -1, final=True)
    times, tubes = times[~alone], tubes[~alone]
    for _ in range(2):
        found, _ = _covered(times, tubes, True, model, cover.new_carry(), rooms)
        v = found.vehicles
        halves = int(np.sum(2 * v.axles.astype(int) - v.pulses))
        model = learned(
            geometry,
            v,
            Rates(seconds, len(times), found.repeats, len(found.orphans_us), halves),
        )
    return model


def _rooms() -> tuple[Any, ...]:
    """Return the room that the kernels work in; what is left in it from one call means nothing."""
    return candidates.new_pool(), states.new_states(), cover.new_trail(), plain.new_room()


def _covered(  # noqa: PLR0917  # one call
    times: Any, tubes: Any, final: bool, model: Model, carry: Any, rooms: Any
) -> tuple[Decoded, int]:
    pool, room, trail, chains = rooms
    out = measure.new_out(len(times))
    counts = np.zeros(4, np.int64)
    done = cover.cover(
        np.ascontiguousarray(times), np.ascontiguousarray(tubes), final, model, carry, out, pool,
        room, trail, chains, counts,
    )  # fmt: skip
    n, spacings, orphans, repeats = (int(x) for x in counts)
    rows = out.vehicles[:n]
    vehicles = Vehicles(
        time_us=rows["time"].copy(),
        b_first=rows["sense"].copy(),
        speed_kmh=np.where(rows["complete"] > 0, rows["speed"], np.nan),
        accelerating=rows["accelerating"].copy(),
        axles=rows["axles"].copy(),
        spacings_m=out.spacings[:spacings].copy(),
        confidence=rows["confidence"].copy(),
        complete=rows["complete"].copy(),
        pulses=rows["pulses"].copy(),
        lag_change_s=rows["change"].copy(),
        lag_lever=rows["lever"].copy(),
    )
    none = np.empty(0, np.int64)
    found = Decoded(
        vehicles, out.orphans[:orphans].copy(), none, none.astype(bool), repeats, int(done)
    )
    return found, int(done)


def _nothing() -> Decoded:
    none = np.empty(0, np.int64)
    return Decoded(joined([]), none, none, none.astype(bool), 0, 0)


def _all_alone(times: Any, tubes: Any) -> Decoded:
    return replace(_nothing(), alone_us=times.copy(), alone_b=tubes == 1, pulses=len(times))


def _merged(parts: list[Decoded]) -> Decoded:
    parts = [p for p in parts if p.pulses or len(p.vehicles)]
    if len(parts) == 1:
        return parts[0]
    if not parts:
        return _nothing()
    return Decoded(
        joined([p.vehicles for p in parts]),
        np.concatenate([p.orphans_us for p in parts]),
        np.concatenate([p.alone_us for p in parts]),
        np.concatenate([p.alone_b for p in parts]),
        sum(p.repeats for p in parts),
        sum(p.pulses for p in parts),
    )


@njit(cache=True)  # type: ignore[untyped-decorator]
def _in_order(times: Any, newest: int, slack: int) -> tuple[int, int]:
    """Return the newest stamp, and the first that lies more than ``slack`` before it (or -1)."""
    for k in range(len(times)):
        if times[k] < newest - slack:
            return newest, k
        newest = max(newest, times[k])
    return newest, -1


def _sorted(times: Any, tubes: Any) -> tuple[NDArray[np.int64], NDArray[np.int8]]:
    """Return the pulses by time, A before B of the same stamp."""
    times, tubes = times.copy(), tubes.copy()
    if not _inserted(times, tubes, 8 * len(times) + 1000):
        order = np.lexsort((tubes, times))
        return times[order], tubes[order]
    return times, tubes


@njit(cache=True)  # type: ignore[untyped-decorator]
def _inserted(times: Any, tubes: Any, moves: int) -> bool:
    """Sort in place what is nearly sorted; give up after ``moves`` moves."""
    for k in range(1, len(times)):
        t, x = times[k], tubes[k]
        j = k
        while j and (times[j - 1] > t or (times[j - 1] == t and tubes[j - 1] > x)):
            times[j], tubes[j] = times[j - 1], tubes[j - 1]
            j -= 1
            moves -= 1
            if moves < 0:
                times[j], tubes[j] = t, x
                return False
        times[j], tubes[j] = t, x
    return True
