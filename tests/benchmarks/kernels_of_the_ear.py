"""Races of filters, and of what the ear's kernels are given: more of `races`."""

from collections.abc import Iterator

import numpy as np
from scipy.signal import butter

from simchain.decide.ear import Heard
from simchain.decide.parts import distributions_db, movements_db, rises, stacked
from simchain.filters import run_sections
from simchain.kernels import bands, hearing, sections
from simchain.measure.excitation import LONG_FRAME_S, SHORT_FRAME_S, excitation
from simchain.measure.loudness import integrated_lufs
from tests.benchmarks.races import Job, Race, caught
from tests.benchmarks.timing import RATE, ten_seconds

TAKES, SOUNDS = 5, 300
# Ten quantiles of 73 bands, ten filters of 12 groups, ten seconds of 9 groups: `ear.Heard`.
SHAPES = {
    "levels_db": (10, 73),
    "loudness": (73,),
    "long_term_db": (73,),
    "movement": (10, 12),
    "group_loudness": (12,),
    "events": (1001, 9),
}


def ear_races() -> Iterator[Race]:
    line = ten_seconds()
    for name, module, kernel, run in jobs():
        yield caught(name, module, kernel, lambda run=run: run(line))


def jobs() -> Iterator[Job]:
    for order in (1, 2, 5):
        filters = butter(2 * order, 0.2, output="sos")
        yield (
            f"sections: {order}",
            sections,
            "through_sections",
            lambda x, filters=filters: run_sections(filters, x[np.newaxis]),
        )
    yield (
        "loudness: squares in hops",
        sections,
        "squares_behind_sections",
        lambda x: integrated_lufs(x[np.newaxis], RATE),
    )
    yield "ear: bands, long", bands, "spectra_to_bands", lambda x: excitation(x, RATE, LONG_FRAME_S)
    yield (
        "ear: bands, short",
        bands,
        "spectra_to_bands",
        lambda x: excitation(x, RATE, SHORT_FRAME_S),
    )
    random = np.random.default_rng(8)
    stack = stacked([several_takes(random) for _ in range(SOUNDS)])
    others = range(1, SOUNDS)
    yield "ear: levels", hearing, "levels_apart", lambda _: distributions_db(stack, 0, others)
    yield "ear: swings", hearing, "swings_apart", lambda _: movements_db(stack, 0, others)
    one, other = (several_takes(random)[0].events for _ in range(2))
    yield "ear: events", hearing, "standing_out", lambda _: rises(one, other, 0.05)


def several_takes(random: np.random.Generator) -> list[Heard]:
    """Made up: one sound in some takes. Sounds differ by more than their takes, or all were 0."""
    sound = {name: random.random(shape) for name, shape in SHAPES.items()}
    return [
        Heard(**{name: of * random.uniform(0.9, 1.1, of.shape) for name, of in sound.items()})
        for _ in range(TAKES)
    ]
