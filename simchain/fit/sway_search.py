"""Sways that come near to what was heard of steady tones: a scan, then least squares."""

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simchain.fit.phased import STAGES, phased
from simchain.fit.swaying import Complexes, Tone
from simchain.fit.sways import Path, Sway

Floats = NDArray[np.float64]

# A sway faster than this is told by one part; rates are a quarter of a turn apart over it.
SLOW_HZ = 0.6
_FAST_RATES, _SLOW_RATES = np.arange(SLOW_HZ, 13.0, 0.08), np.arange(0.03, SLOW_HZ, 0.008)
_TURNS = np.arange(16) / 16.0
_DEPTHS = np.linspace(0.2, 1.0, 9)
_FEEDBACKS = np.array([-0.7, -0.35, 0.0, 0.35, 0.7])
_LATENESSES, _AS_GOOD = 4, 1.3
_LATE_S = np.linspace(-0.024, 0.024, 1921)
# How many go on of a scan, of the least squares in each range of rates, of a phaser's scan for each
# number of stages, and then over all tones.
_KEPT, _OF_ZONE, _OF_STAGES, _WHOLE, _STARTS = 14, 4, 8, 4, 2
_BOUNDS = {
    "rate_hz": (0.02, 20.0),
    "turn": (-1e3, 1e3),
    "depth": (0.01, 1.0),
    "feedback": (-0.97, 0.97),
    "late_s": (-0.03, 0.03),
}


def sways(shape: str, heard: Sequence[Tone], latency_s: float) -> list[Sway]:
    """Return the sways that come nearest to what was heard, the best first.

    They are several where tones hardly tell them apart, as a phaser's numbers of stages.
    """
    by_name = {tone.name: tone for tone in heard}
    steps = [by_name["steps1"], by_name["steps2"]]
    if shape == "phaser":
        told = [tone.thinned(40) for tone in heard]
        paths = {stages: Path(shape, latency_s, stages) for stages in STAGES}
        near = [
            _in_common(paths[one.stages], told, one)
            for one in phased(steps[0], steps[1], _OF_STAGES)
        ]
    else:
        path = Path(shape, latency_s)
        near = []
        for rates, told in (
            (_FAST_RATES, [steps[0].thinned(10)]),
            (_SLOW_RATES, [tone.thinned(50) for tone in (*steps, by_name["ramp"])]),
        ):
            of_zone = [_nearer(path, told, one) for one in _scanned(path, told, rates)]
            near += _best(of_zone, _OF_ZONE)
        told = [tone.thinned(8) for tone in steps]
        near = [_nearer(path, told, one) for one in near]
    ends = [_of_all(Path(shape, latency_s, one.stages), heard, one) for one in _best(near, _WHOLE)]
    best = _best(ends, _STARTS)
    return [one for one in best if one.misfit <= _AS_GOOD * best[0].misfit]


def _scanned(path: Path, told: list[Tone], rates: Floats) -> list[Sway]:
    """Return the best sways of those on a grid, one for each rate at most."""
    depths = _DEPTHS if "depth" in path.names else np.array([1.0])
    feedbacks = _FEEDBACKS if "feedback" in path.names else np.array([0.0])
    misfits = np.zeros((depths.size, feedbacks.size, rates.size, _TURNS.size))
    for group in _by_pitch(told):
        turns = _turns_of(group, rates)
        for place, depth in enumerate(depths):
            z = _once(path, group[0].hz, turns, rates, float(depth))
            for other, feedback in enumerate(feedbacks):
                wet = z / (1.0 - feedback * z) if feedback else z
                misfits[place, other] += _left(path, group, wet)
    found = []
    for rate in np.argsort(misfits.min(axis=(0, 1, 3)))[:_KEPT]:
        of_rate = misfits[:, :, rate]
        at = np.unravel_index(int(np.argmin(of_rate)), of_rate.shape)
        here = float(depths[at[0]]), float(feedbacks[at[1]])
        found.append(Sway(float(rates[rate]), float(_TURNS[at[2]]), *here))
    return found


def _turns_of(group: Sequence[Tone], rates: Floats) -> Floats:
    """Return where sways stand at a pitch's points, shape (rates, turns, points)."""
    times = np.concatenate([tone.times[tone.told] for tone in group])
    return np.asarray((rates[:, np.newaxis] * times)[:, np.newaxis] + _TURNS[:, np.newaxis])


def _once(path: Path, hz: float, turns: Floats, rates: Floats, depth: float) -> Complexes:
    if path.shape == "tremolo":
        return path.wet(hz, turns, Sway(0.0, 0.0, depth))
    return path.once(hz, turns, depth, rates[:, np.newaxis, np.newaxis])


def _left(path: Path, group: Sequence[Tone], wet: Complexes) -> Floats:
    """Return what dry and wet leave of a pitch, at the best two complex gains."""
    given, heard, weight = (
        np.concatenate([getattr(tone, name)[tone.told] for tone in group])
        for name in ("given", "heard", "weight")
    )
    power, target = np.square(np.abs(given) * weight), heard / given
    total = float(power @ np.square(np.abs(target)))
    ww = np.square(np.abs(wet)) @ power
    wh = np.conj(wet) @ (power * target)
    if not path.has_dry:
        return np.asarray(total - np.square(np.abs(wh)) / ww)
    # The dry sound first, then what the wet one has besides.
    dd, dw, dh = power.sum(), wet @ power, power @ target
    besides = np.maximum(ww - np.square(np.abs(dw)) / dd, 1e-9 * ww)
    more = np.square(np.abs(wh - np.conj(dw) * dh / dd)) / besides
    return np.asarray(total - abs(dh) ** 2 / dd - more)


def _by_pitch(told: Iterable[Tone]) -> list[list[Tone]]:
    groups: dict[float, list[Tone]] = {}
    for tone in told:
        groups.setdefault(tone.hz, []).append(tone)
    return list(groups.values())


def _nearer(path: Path, told: Sequence[Tone], begin: Sway) -> Sway:
    """Return the least squares from `begin`; each pitch may have gains and phases of its own."""

    def errors(sway: Sway) -> Floats:
        left = []
        for group in _by_pitch(told):
            both = np.concatenate([_weighed(path, tone, sway) for tone in group])
            heard = np.concatenate([(tone.heard * tone.weight)[tone.told] for tone in group])
            off = both @ _solved(np.conj(both.T) @ both, np.conj(both.T) @ heard) - heard
            left += [off.real, off.imag]
        return np.concatenate(left)

    return _least(path.names, errors, begin)


def _weighed(path: Path, tone: Tone, sway: Sway) -> Complexes:
    """Return dry and wet, weighed, where the sway is slow."""
    given = (tone.given * tone.weight)[tone.told]
    wet = given * path.wet(tone.hz, sway.turn + sway.rate_hz * tone.times[tone.told], sway)
    return np.stack((given, wet) if path.has_dry else (wet,), axis=1)


def _of_all(path: Path, heard: Sequence[Tone], begin: Sway) -> Sway:
    """Return the least squares over all tones, which have two gains and one lateness in common."""
    told = [tone.thinned(10 if begin.rate_hz < 1.0 else 2) for tone in heard]
    if path.shape != "phaser":
        few = [tone.thinned(40) for tone in heard]
        begun = [_in_common(path, few, one) for one in _with_lateness(path, few, begin)]
        begin = _best(begun, 1)[0]
    end = _in_common(path, told, begin)
    gains = _gains(path, *_sides(path, told, end))
    dry, wet = float(gains[0]), float(gains[-1])
    if path.shape == "tremolo":
        return _of_tremolo(end, dry, wet)
    return replace(end, dry=dry if path.has_dry else 0.0, wet=wet)


def _of_tremolo(sway: Sway, whole: float, more: float) -> Sway:
    """Return a tremolo whose gain is `whole`, and half a turn later as much and `more`."""
    if more > 0.0:
        sway, whole, more = replace(sway, turn=sway.turn + 0.5), whole + more, -more
    return replace(sway, depth=float(min(-more / whole, 1.0)), dry=0.0, wet=whole)


def _in_common(path: Path, told: Sequence[Tone], begin: Sway) -> Sway:
    def errors(sway: Sway) -> Floats:
        both, wanted = _sides(path, told, sway)
        return np.asarray(both @ _gains(path, both, wanted) - wanted)

    names = path.names if path.shape == "tremolo" else (*path.names, "late_s")
    return _least(names, errors, begin)


def _sides(path: Path, told: Sequence[Tone], sway: Sway) -> tuple[Floats, Floats]:
    """Return dry and wet, (numbers, 2), and what was heard, real and imaginary parts."""
    parts = [_complex_sides(path, tone, sway) for tone in told]
    both, heard = (np.concatenate(each) for each in zip(*parts, strict=True))
    return np.concatenate((both.real, both.imag)), np.concatenate((heard.real, heard.imag))


def _complex_sides(path: Path, tone: Tone, sway: Sway) -> tuple[Complexes, Complexes]:
    made = [(one * tone.weight)[tone.told] for one in path.heard(tone, sway)]
    both = np.stack(made if path.has_dry else made[1:], axis=1)
    return both, (tone.heard * tone.weight)[tone.told]


def _gains(path: Path, both: Floats, wanted: Floats) -> Floats:
    """Return the gains of dry and wet; none is below 0, but that of what a tremolo takes away."""
    normal, side = both.T @ both, both.T @ wanted
    gains = _solved(normal, side)
    if path.shape == "tremolo" or gains.min() >= 0.0:
        return np.asarray(gains)
    alone = np.maximum(side / np.diag(normal), 0.0)
    alone[int(np.argmin(alone * side))] = 0.0
    return np.asarray(alone)


def _solved(normal: Any, side: Any) -> Any:
    ridge = 1e-10 * np.trace(normal).real * np.eye(len(side))
    return np.linalg.solve(normal + ridge, side)


def _with_lateness(path: Path, told: Sequence[Tone], sway: Sway) -> Iterator[Sway]:
    """Yield `sway` with the latenesses at which pitches agree best on their phases."""
    from scipy.signal import find_peaks

    normal: Any = 0.0
    sides: Any = 0.0
    for tone in told:
        both, wanted = _complex_sides(path, tone, sway)
        normal = normal + (np.conj(both.T) @ both).real
        back = np.exp(2j * np.pi * tone.hz * _LATE_S)[:, np.newaxis]
        sides = sides + (back * (np.conj(both.T) @ wanted)).real
    gains = _solved(normal, sides.T).T
    explained = (gains * sides).sum(axis=1)
    if path.shape != "tremolo":
        explained = np.where(gains.min(axis=1) >= -0.05 * gains.max(axis=1), explained, 0.0)
    peaks = find_peaks(explained)[0]
    for at in sorted(peaks, key=lambda place: -float(explained[place]))[:_LATENESSES]:
        late_s = float(_LATE_S[at])
        yield replace(sway, late_s=late_s, turn=sway.turn + sway.rate_hz * late_s)


def _least(names: Sequence[str], errors: Callable[[Sway], Floats], begin: Sway) -> Sway:
    """Return the sway of least squares, of whose figures those named move."""
    from scipy.optimize import least_squares

    def at(numbers: Floats) -> Sway:
        moved: dict[str, Any] = dict(zip(names, map(float, numbers), strict=True))
        return replace(begin, **moved)

    low, high = np.array([_BOUNDS[name] for name in names]).T
    first = np.clip([getattr(begin, name) for name in names], low + 1e-6, high - 1e-6)
    end = least_squares(
        lambda numbers: errors(at(numbers)), first, bounds=(low, high), x_scale="jac", max_nfev=25
    )
    return replace(at(end.x), misfit=math.sqrt(2.0 * end.cost / end.fun.size))


def _best(near: Iterable[Sway], most: int) -> list[Sway]:
    """Return the best few that differ from one another."""
    kept: list[Sway] = []
    for one in sorted(near, key=lambda each: each.misfit):
        same = [
            abs(one.rate_hz / other.rate_hz - 1.0) < 1e-3
            and abs((one.turn - other.turn + 0.5) % 1.0 - 0.5) < 0.02
            and abs(one.depth - other.depth) < 0.02
            and one.stages == other.stages
            for other in kept
        ]
        if not any(same):
            kept.append(one)
    return kept[:most]
