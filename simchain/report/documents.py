"""The JSON documents that `--json` prints and the page is built from. Names as in DEVELOPERS.md."""

from collections.abc import Mapping, Sequence
from typing import Any

import simchain
from simchain.chain.loop import Loop
from simchain.chain.stereo import stereo_heard
from simchain.chain.walk import Rendering
from simchain.chain.walker import Point
from simchain.decide.comparison import Comparison, FreePair, Heard, Pair
from simchain.decide.levels import Levels
from simchain.decide.score import Score
from simchain.decide.songs import SongStep
from simchain.decide.where import When, Where
from simchain.measure.level import Level
from simchain.measure.stereo import stereo_of
from simchain.report.causes import cause_facts
from simchain.report.holding import holding_document, holding_words
from simchain.report.level_sentences import level_sentences
from simchain.report.measures import measures_facts
from simchain.report.numbers import number
from simchain.report.stereo import sides_facts, stereo_facts, stereo_lines
from simchain.report.stops import LITTLE_HEADROOM_DB, NEAR_FLOOR_DB
from simchain.units import peak_volts_to_dbu, volts_to_dbu

Key = tuple[str, str, str | None]
Files = Mapping[Key, str]


def render_document(
    rendering: Rendering,
    point_files: Mapping[str, str],
    output_file: str,
    steps: Sequence[SongStep] = (),
) -> dict[str, Any]:
    """Return what `simchain render --json` prints; `passage` is the song's name for a song."""
    points = {
        name: {**figures(point), "file": point_files.get(name)}
        for name, point in rendering.points.items()
    }
    output = rendering.output
    return {
        "simchain": simchain.__version__,
        "order": rendering.order,
        "passage": rendering.passage,
        "amp": rendering.amp,
        "rate": rendering.rate,
        "left_out": list(rendering.left_out),
        "points": points,
        "song": [step_facts(step) for step in steps],
        "stereo": stereo_facts(stereo_heard(rendering)),
        "output": {
            "integrated_lufs": number(output.integrated_lufs),
            "loudness_is_rms": output.loudness_is_rms,
            "true_peak_dbtp": number(output.true_peak_dbtp),
            **sides_facts(stereo_of(output.samples)),
            "file": output_file,
        },
        "warnings": list(rendering.warnings),
    }


def step_facts(step: SongStep) -> dict[str, Any]:
    """Return one of a song's passages and its step in loudness, for JSON."""
    return {
        "passage": step.passage,
        "at_s": step.at_s,
        "seconds": step.seconds,
        "integrated_lufs": number(step.lufs),
        "change_lu": number(step.change_lu),
        "wanted_lu": step.wanted_lu,
    }


def levels_document(levels: Levels) -> dict[str, Any]:
    """Return what `simchain levels --json` prints: points of one order, each in every passage.

    `clips`, `little_headroom` and `near_floor` list the points where it clips, where less than
    3 dB is left, and where the noise floor is within 40 dB of the passage's RMS; `says` has the
    same in words.
    """
    points: dict[str, dict[str, Any]] = {}
    for rendering in levels.renderings:
        for name, point in rendering.points.items():
            points.setdefault(name, {})[rendering.passage] = figures(point)
    first = levels.renderings[0]
    stereo = {name: stereo_facts(heard) for name, heard in levels.stereo.items()}
    document = {
        "simchain": simchain.__version__,
        "order": first.order,
        "front": list(first.path.order.front),
        "in_loop": list(first.path.order.loop),
        "amp": first.amp,
        "passages": {
            one.passage: {"on": list(one.path.timeline.ever_on)} for one in levels.renderings
        },
        "points": points,
        "loop": {passage: loop_facts(loop) for passage, loop in levels.loops.items()},
        "stereo": stereo,
        **_where(points),
        "warnings": list(levels.warnings),
    }
    return {**document, "says": [*level_sentences(document), *stereo_lines(stereo)]}


def _where(points: Mapping[str, Mapping[str, Any]]) -> dict[str, list[dict[str, Any]]]:
    """List the points where it clips, where little is left, and where the floor is near."""
    found: dict[str, list[dict[str, Any]]] = {"clips": [], "little_headroom": [], "near_floor": []}
    for name, passages in points.items():
        for passage, point in passages.items():
            here = {"point": name, "passage": passage}
            left_db, rms, floor = (point[key] for key in ("headroom_db", "rms_dbu", "floor_dbu"))
            if left_db is not None and left_db < LITTLE_HEADROOM_DB:
                kind = "clips" if left_db < 0.0 else "little_headroom"
                found[kind].append({**here, "headroom_db": left_db})
            if rms is not None and floor is not None and rms - floor < NEAR_FLOOR_DB:
                found["near_floor"].append({**here, "above_floor_db": rms - floor})
    return found


def loop_facts(loop: Loop | None) -> dict[str, Any] | None:
    """Return a parallel loop for JSON: its share, its level, and where it cancels."""
    if loop is None:
        return None
    return {
        "mix": loop.mix,
        "level_db": number(loop.level_db),
        "dips": [{"hz": number(dip.hz), "db": number(dip.db)} for dip in loop.dips],
    }


def compare_document(comparison: Comparison, files: Files, page: str) -> dict[str, Any]:
    """Return what `simchain compare --json` prints; `files` names the audition of each sound.

    A song stands among the passages under a name that no passage has; `songs` says which they are.
    """
    return {
        "simchain": simchain.__version__,
        "orders": list(comparison.orders),
        "passages": list(comparison.passages),
        "songs": [
            {
                "name": music.label,
                "song": music.name,
                "passages": list(comparison.board.song(music.name).passages),
            }
            for music in comparison.music
            if music.is_song
        ],
        "amps": [amp for amp in comparison.amps if amp],
        "pairs": [pair_facts(pair) for pair in comparison.pairs],
        "free": free_facts(comparison.free),
        "auditions": [_audition(one, files[key_of(one)]) for one in comparison.heard],
        "page": page,
        "warnings": list(comparison.warnings),
    }


def _audition(one: Heard, file: str) -> dict[str, Any]:
    order, passage, amp = key_of(one)
    return {
        "order": order,
        "passage": passage,
        "amp": amp,
        "file": file,
        "steps": [step_facts(step) for step in one.steps],
        "stereo": stereo_facts(one.stereo),
        "output": output_facts(one),
        "measures": measures_facts(one.measured),
    }


def output_facts(one: Heard) -> dict[str, float | None]:
    """Return loudness, true peak and width of a sound as it comes, for JSON."""
    output = one.rendering.output
    return {
        "integrated_lufs": number(output.integrated_lufs),
        "true_peak_dbtp": number(output.true_peak_dbtp),
        **sides_facts(one.sides),
    }


def key_of(heard: Heard) -> Key:
    """Return order, passage or song, and amplifier of one sound."""
    return heard.rendering.order, heard.music.label, heard.rendering.amp


def figures(point: Point) -> dict[str, Any]:
    """Return what a test point reads, for JSON."""
    ceiling = point.headroom.ceiling_volts if point.headroom else None
    floor = point.floor_volts
    return {
        **_level(point.level),
        "headroom_db": number(point.headroom.db if point.headroom else None),
        "rail_volts": number(ceiling),
        "rail_dbu": None if ceiling is None else number(peak_volts_to_dbu(ceiling)),
        "floor_dbu": None if floor is None else number(volts_to_dbu(floor)),
        "floor_volts": number(floor),
        "channels": [_level(level) for level in point.channels],
    }


def _level(level: Level) -> dict[str, Any]:
    return {
        "rms_dbu": number(level.rms_dbu),
        "rms_volts": number(level.rms_volts),
        "peak_dbu": number(level.peak_dbu),
        "peak_volts": number(level.peak_volts),
        "crest_db": number(level.crest_db),
    }


def pair_facts(pair: Pair) -> dict[str, Any]:
    """Return the difference of two orders in one passage or song, for JSON.

    What belongs to a judgement is null where there was none. `causes` maps each cause to its
    `difference` (null where it cannot be told), `unit` and `text`.
    """
    score = pair.score
    return {
        "a": pair.a,
        "b": pair.b,
        "passage": pair.passage,
        "amp": pair.amp,
        "trim_lu": number(pair.trim_lu),
        "null_db": number(pair.null_db),
        "max_band_change_db": number(pair.max_band_change_db),
        **(score_facts(score, pair.where, pair.when) if score else dict.fromkeys(SCORE_FACTS)),
        "causes": cause_facts(pair.causes),
    }


def free_facts(free: Sequence[FreePair] | None) -> list[dict[str, Any]] | None:
    """Return what became of free pairs that were played and set otherwise; None if none was."""
    if free is None:
        return None
    return [
        {
            "a": pair.a,
            "b": pair.b,
            "amp": pair.amp,
            "turn_db": number(pair.turn_db),
            **(holding_document(pair.held) or {}),
            "text": holding_words(pair.held, pair.turn_db),
        }
        for pair in free
    ]


SCORE_FACTS = (
    "score", "decided_by", "verdict", "borderline", "raised_by_band", "max_erb_change_db",
    "max_erb_change_hz", "parts", "where", "when",
)  # fmt: skip


def score_facts(score: Score, where: Where | None, when: When | None) -> dict[str, Any]:
    """Return a score for JSON: `SCORE_FACTS`.

    `parts` are those of the score in dB, phon and as a share; `where` says by how much the part of
    the music that differs most does, null where that is in no one part; `when` at which moment of
    it the difference is largest, null where no single one decided.
    """
    return {
        "score": number(score.score),
        "decided_by": score.decided_by,
        "verdict": score.verdict,
        "borderline": score.borderline,
        "raised_by_band": score.raised_by_band,
        "max_erb_change_db": number(score.max_erb_change_db),
        "max_erb_change_hz": number(score.max_erb_change_hz),
        "parts": {
            "distribution_db": number(score.distribution_db),
            "movement_db": number(score.movement_db),
            "event_phon": number(score.event_phon),
            "dirt_db": number(score.dirt_db),
            "width_share": number(score.width_share),
        },
        "where": None if where is None else where._asdict(),
        "when": None if when is None else when._asdict(),
    }
