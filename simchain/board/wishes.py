"""What the user wants of the results: thresholds of verdicts, controls to set, goals."""

from simchain.settings import Settings, control


class Judging(Settings):
    """How differences are judged. The thresholds are ours, fitted to judgement."""

    listening_db_spl: float = control(
        75.0,
        "level at which the sound is heard; long listening above 80 dB harms hearing",
        unit="dB SPL",
        ge=20,
        le=130,
        usual=(50, 85),
    )
    same_null_db: float = control(
        -80.0, "'same' needs a null at least this deep", unit="dB", ge=-400, le=0, usual=(-120, -60)
    )
    same_trim_lu: float = control(
        0.1, "'same' allows this difference in level", unit="LU", ge=0, le=60, usual=(0, 0.5)
    )
    free_move_lu: float = control(
        0.5, "a free move allows this difference in level", unit="LU", ge=0, le=60, usual=(0.1, 1)
    )
    free_below: float = control(1.0, "'free' below this score", gt=0, le=1000, usual=(0.5, 2))
    clear_above: float = control(4.5, "'clear' above this score", gt=0, le=1000, usual=(2, 10))


class SetLevels(Settings):
    """Which controls may be turned to put each passage where it should sit.

    Left out, they are the level controls of the blocks that are on in a passage with a target and
    off in the one it is held against.
    """

    controls: tuple[str, ...] = control(
        (), 'controls that `set-levels` may turn, as "BLOCK.CONTROL"; left out, it chooses'
    )


def _goal(help: str, lowest: float = 0) -> float:
    weight: float = control(0.0, f"weight of: {help}", ge=lowest, le=100, usual=(lowest, 10))
    return weight


class Goals(Settings):
    """What a good order does, each with a weight; 0 leaves it out."""

    levels: float = _goal("passages sit at the level they should have")
    headroom: float = _goal("room below the rails, as far as 6 dB")
    floor: float = _goal("low noise while nobody plays, against the music")
    dirt: float = _goal("dirt; negative to avoid it", lowest=-100)
    clarity: float = _goal("repeats that stand out of what lies between them")
    width: float = _goal("stereo width at the end")
    closeness: float = _goal("closeness to the order named in `reference`")
    every_amp: float = _goal("the other goals hold on every amplifier of the board")
    patching: float = _goal("little cable")
    reach: float = _goal("blocks used often stand where the foot finds them")
    reference: str | None = control(None, "the order that `closeness` compares with")
