"""Second-order bands in series, found in a frequency response: how many, of which shape, where.

Bands are added one at a time where what is left looks most like one, each time all are fitted
again (least squares over levels in dB), and the best few sets go on: a beam search. A filter of
these shapes has the same level whatever its phase, so levels alone are compared.
"""

from collections.abc import Iterable, Iterator
from functools import lru_cache
from typing import get_args

import numpy as np
from numpy.typing import NDArray

from simchain.filters import SHAPES, Shape
from simchain.filters.bands import SHAPES_WITH_GAIN
from simchain.fit.bands import (
    ENDS,
    Q_OF,
    FoundBand,
    FoundBands,
    fitted_bands,
    floored,
    levels_db,
    weights,
)
from simchain.fit.response import Response
from simchain.fit.squares import softened

Floats = NDArray[np.float64]

# Sets of bands that go on, places tried of each shape, sets of which bands are exchanged, and how
# often; and of the points every so many: 24 an octave are looked at.
BEAM, PLACES, EXCHANGED, EXCHANGES, THINNED = 5, 2, 2, 3, 4
ROUNDS, FINAL_ROUNDS = 12, 40
# A band more is defended by so much less misfit: a share, and what nobody hears or reads surely.
_DEFENDED_SHARE, _DEFENDED_DB = 0.08, 0.01
_TRIED_HZ = 30.0 * 2.0 ** np.linspace(0.0, 9.0, 55)
_TRIED_Q, _TRIED_DB = (0.4, 0.7, 1.5, 3.5, 8.0), (-12.0, -5.0, 5.0, 12.0)


def bands_of(response: Response, most: int) -> list[FoundBands]:
    """Return the best set of each number of bands from 1 to `most`, as far as more help."""
    thin = response.thinned(THINNED)
    beam = [FoundBands((), float(np.inf))]
    best: list[FoundBands] = []
    for count in range(1, most + 1):
        beam = _settled(_few(_all_grown(beam, thin)), thin)
        if count == most and beam[0].misfit_db > _DEFENDED_DB:
            beam = _settled(_pruned(beam, thin), thin)
        ends = [fitted_bands(one.bands, response, FINAL_ROUNDS) for one in beam[:EXCHANGED]]
        best.append(min(ends, key=lambda one: one.misfit_db))
        if best[-1].misfit_db <= _DEFENDED_DB:
            break
    for count in range(len(best) - 1, 0, -1):
        fewer = [
            fitted_bands(bands, response, FINAL_ROUNDS) for bands in _with_one_out(best[count])
        ]
        best[count - 1] = min((best[count - 1], *fewer), key=lambda one: one.misfit_db)
    return best


def _settled(beam: list[FoundBands], response: Response) -> list[FoundBands]:
    """Return `beam` after bands of its best were exchanged for others, while that helps."""
    anew = False
    for _ in range(EXCHANGES):
        least = beam[0].misfit_db
        if least <= _DEFENDED_DB:
            break
        stems = beam[:EXCHANGED]
        others = [one for stem in stems for one in _exchanged(stem, response, anew=anew)]
        beam = _few((*beam, *others))
        if beam[0].misfit_db > 0.95 * least:
            if anew:
                break
            anew = True
    return beam


def _pruned(beam: list[FoundBands], response: Response) -> list[FoundBands]:
    """Return `beam` and what is left of it where a band is put in and another taken out.

    Pudil and others, Pattern Recognition Letters 15, 1994: a search that floats; from memory.
    """
    more = _settled(_few(_all_grown(beam, response)), response)
    fewer = [fitted_bands(bands, response, ROUNDS) for one in more for bands in _with_one_out(one)]
    return _few((*beam, *fewer))


def _all_grown(beam: list[FoundBands], response: Response) -> Iterator[FoundBands]:
    return (one for stem in beam for one in _grown(stem.bands, response))


def defended(found: list[FoundBands]) -> FoundBands:
    """Return the set of fewest bands that no larger one betters by what can be defended."""
    least = min(one.misfit_db for one in found)
    allowed = least * (1.0 + _DEFENDED_SHARE) + _DEFENDED_DB
    return next(one for one in found if one.misfit_db <= allowed)


def _few(found: Iterable[FoundBands]) -> list[FoundBands]:
    """Return the best few that differ in their shapes or stand at other places."""
    kept: dict[tuple[tuple[str, int], ...], FoundBands] = {}
    for one in sorted(found, key=lambda each: each.misfit_db):
        key = tuple(sorted((band.shape, round(3.0 * np.log2(band.hz))) for band in one.bands))
        kept.setdefault(key, one)
    return list(kept.values())[:BEAM]


def _grown(bands: tuple[FoundBand, ...], response: Response) -> Iterator[FoundBands]:
    """Yield `bands` with one more: of each shape the one that is most like what is left."""
    here = np.zeros(response.hz.size)
    if bands:
        here = levels_db(bands, response.hz).sum(axis=0)
    weight, heard = weights(response), floored(response.level_db)
    tried, levels = _tried(response.hz.tobytes())
    misfits = np.square(softened(floored(levels + here) - heard) * weight).sum(axis=1)
    taken = ENDS.keys() & {one.shape for one in bands}
    for shape in (one for one in SHAPES if one not in taken):
        of_shape = [place for place, one in enumerate(tried) if one.shape == shape]
        for _ in range(PLACES):
            place = of_shape[int(np.argmin(misfits[of_shape]))]
            yield fitted_bands((*bands, tried[place]), response, ROUNDS)
            near = tried[place].hz
            of_shape = [one for one in of_shape if abs(np.log2(tried[one].hz / near)) > 0.5]


def _exchanged(one: FoundBands, response: Response, *, anew: bool) -> Iterator[FoundBands]:
    """Yield its bands with one taken out and another put in, each in turn.

    `anew`: what is left is fitted before the other is put in.
    """
    for rest in _with_one_out(one) if len(one.bands) > 1 else ():
        stem = fitted_bands(rest, response, ROUNDS).bands if anew else rest
        yield from _grown(stem, response)


def _with_one_out(one: FoundBands) -> Iterator[tuple[FoundBand, ...]]:
    """Yield all but one of its bands, each left out in turn."""
    return (one.bands[:place] + one.bands[place + 1 :] for place in range(len(one.bands)))


@lru_cache(maxsize=2)
def _tried(hz_bytes: bytes) -> tuple[list[FoundBand], Floats]:
    """Return bands all over the range, and the level of each, shape (bands, points).

    A notch is tried at every point: between two that it is past it would not come back.
    """
    hz = np.frombuffer(hz_bytes)
    inside = hz[(hz > _TRIED_HZ[0]) & (hz < _TRIED_HZ[-1])]
    tried = [
        FoundBand(shape, float(centre), db, q)
        for shape in get_args(Shape)
        for db in (_TRIED_DB if shape in SHAPES_WITH_GAIN else (0.0,))
        for q in _TRIED_Q
        for centre in (inside if shape == "notch" else _TRIED_HZ)
        if Q_OF[shape][0] <= q <= Q_OF[shape][1]
    ]
    return tried, levels_db(tried, hz)
