"""What a comparison of orders found: sounds, pairs, and which free moves hold."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from simchain.board import Board
from simchain.chain.loop import Loop
from simchain.chain.stereo import HeardStereo
from simchain.chain.walk import Rendering
from simchain.decide.causes import Cause, Name
from simchain.decide.difference import Difference
from simchain.decide.holding import Held
from simchain.decide.measured import Measured
from simchain.decide.score import Score
from simchain.decide.songs import SongStep
from simchain.decide.where import When, Where
from simchain.measure.stereo import Stereo
from simchain.signal import Volts


@dataclass(frozen=True)
class Music:
    """A passage of the board, or a song of passages; the two have names of their own."""

    name: str
    is_song: bool = False

    @property
    def label(self) -> str:
        """The name that stands for it among passages and songs: no passage is called so."""
        return f"{self.name} (song)" if self.is_song else self.name


def music_of(
    board: Board, passages: Sequence[str] | None, songs: Sequence[str] | None
) -> tuple[Music, ...]:
    """Return what is played, each once: passages, then songs.

    Without either it is every passage, with songs alone those alone. Raises RequestError for a name
    that the board does not have.
    """
    names = tuple(passages or (() if songs else board.passages))
    for name in names:
        board.passage(name)
    for name in songs or ():
        board.song(name)
    music = [Music(name) for name in names] + [Music(name, True) for name in songs or ()]
    return tuple(dict.fromkeys(music))


@dataclass(frozen=True, eq=False)
class Heard:
    """One order in one passage or song on one amplifier, and how it is played beside the others.

    The rendering's output is kept in float32 and its test points as levels. `bands_db` is the
    long-term third-octave spectrum at the centres `measure.bands` gives. `gains_db` maps each way
    of listening to the gain that plays the output in it: ``passage`` (every sound equally loud),
    ``order`` (one gain for the order, so that a solo's lift stays), ``as_is`` (one gain for all).
    `loops` holds the order's parallel loop, where there is one, by the passage it is measured in.
    `steps` are those of a song. `sides` says how far the two channels of the output are apart,
    `stereo` where on the path there are two. `measured` are measures for engineers.
    """

    music: Music
    rendering: Rendering
    bands_db: Volts
    loops: dict[str, Loop]
    steps: tuple[SongStep, ...]
    sides: Stereo
    stereo: tuple[HeardStereo, ...]
    measured: Measured
    gains_db: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Pair:
    """Two orders in one passage on one amplifier; `b` is measured against `a`.

    `passage` is the label of a passage or a song. `score` and `causes` are None where it was not
    judged, `where` and `when` also where no one part of the music holds most of the difference.
    """

    a: str
    b: str
    passage: str
    amp: str | None
    difference: Difference
    score: Score | None = None
    causes: dict[Name, Cause] | None = None
    where: Where | None = None
    when: When | None = None

    @property
    def trim_lu(self) -> float:
        """Loudness of `b` less that of `a`: what must be turned down afterwards."""
        return self.difference.trim_lu

    @property
    def null_db(self) -> float:
        """What is left of `a` when the best-fitting copy of `b` is taken away."""
        return self.difference.null_db

    @property
    def max_band_change_db(self) -> float:
        """Largest long-term third-octave change from `a` to `b`, matched in loudness."""
        return self.difference.max_band_change_db


@dataclass(frozen=True, eq=False)
class FreePair:
    """Two orders that are free of one another in all that was compared, on one amplifier.

    `turn_db` is by how many dB the level is turned after the move from `a` to `b`, None where no
    one turn serves. `held` is what became of it when it was played and set otherwise.
    """

    a: str
    b: str
    amp: str | None
    turn_db: float | None
    held: tuple[Held, ...]


@dataclass(frozen=True, eq=False)
class Comparison:
    """Orders compared: every sound, and every unordered pair once, a before b as given.

    `free` are the pairs that were tried played and set otherwise; None where that was not asked.
    """

    board: Board
    orders: tuple[str, ...]
    music: tuple[Music, ...]
    amps: tuple[str | None, ...]
    heard: tuple[Heard, ...]
    pairs: tuple[Pair, ...]
    warnings: tuple[str, ...]
    free: tuple[FreePair, ...] | None = None

    @property
    def passages(self) -> tuple[str, ...]:
        """Labels of the passages, and of the songs behind them."""
        return tuple(each.label for each in self.music)
