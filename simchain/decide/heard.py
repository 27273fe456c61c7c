"""Results of the page's blind test: read from their files, checked, and what a count is worth.

In a trial X is one of two orders, drawn anew, and the listener says which. Someone who only guesses
is right in one of two, so the number of right answers is binomial (n, 1/2), and the chance of as
many or more is a sum of whole numbers over 2^n. Everything is counted again from the trials; a
file whose own figures do not agree with them is refused.
"""

from collections.abc import Sequence
from contextlib import suppress
from datetime import datetime, timedelta
from fractions import Fraction
from math import comb
from pathlib import Path
from typing import Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator
from pydantic_core import from_json

from simchain.board import Board
from simchain.board.wording import Findings, TooManyProblemsError, listed, shown
from simchain.chain.path import named_order
from simchain.chain.render import amp_name
from simchain.decide.comparison import music_of
from simchain.errors import RequestError, one_line

RARE = 0.05
GOOD_LISTENER = 0.7
FORMAT = 1
LARGEST_FILE = 1_000_000
LEAST_TRIALS, MOST_TRIALS = 5, 100
MOST_TRIM_DB = 3.0
# A result of a hundred trials has 616: of each value that does not fit a kilobyte and more is kept.
MOST_COMMAS = 5_000
# Files give the chance to four decimals or more; it is never used, only held against ours.
_ROUNDED = 0.5e-4
_WHAT = "a result of a blind test"
_HEXADECIMAL = frozenset("0123456789abcdef")


def chance_of(right: int, trials: int) -> float:
    """Return how likely someone who only guesses has `right` of `trials` or more.

    P(X >= right) of a binomial (trials, 1/2), in whole numbers, rounded once at the end.
    """
    return sum(comb(trials, count) for count in range(max(right, 0), trials + 1)) / (1 << trials)


def needed(trials: int, alpha: float = RARE) -> int | None:
    """Return the smallest count that a guesser has, or passes, with a chance of `alpha` at most.

    None where even all right is more likely than that: of four trials or fewer at 0.05.
    """
    counts = range(trials + 1)
    return next((count for count in counts if chance_of(count, trials) <= alpha), None)


def power(trials: int, share: float = GOOD_LISTENER) -> float:
    """Return how likely a listener has what is `needed` who is right with chance `share` (0 to 1).

    0 where no count of so few trials is enough.
    """
    least, p = needed(trials), Fraction(share)
    if least is None:
        return 0.0
    counts = range(least, trials + 1)
    return float(sum(comb(trials, k) * p**k * (1 - p) ** (trials - k) for k in counts))


class _Part(BaseModel):
    """A part of the file: frozen, no other keys, nothing taken for something else."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, strict=True)


class Plays(_Part):
    """How often each sound was played in one trial."""

    a: int = Field(ge=0)
    b: int = Field(ge=0)
    x: int = Field(ge=0)


class Trial(_Part):
    """Which of the two X was, and which the listener said; how long it took."""

    x: Literal["a", "b"]
    answer: Literal["a", "b"]
    seconds: float = Field(ge=0.0)
    plays: Plays


class Fingerprints(_Part):
    """The first 16 digits of the SHA-256 of each sound, see `page_data.fingerprint`."""

    a: str | None
    b: str | None

    @field_validator("a", "b")
    @classmethod
    def _is_hexadecimal(cls, digits: str | None) -> str | None:
        if digits is not None and (len(digits) != 16 or not _HEXADECIMAL.issuperset(digits)):
            raise ValueError(f"16 hexadecimal digits are wanted, not {shown(digits)}")
        return digits


class Predicted(_Part):
    """What the page predicted of the pair."""

    verdict: Literal["same", "free", "subtle", "clear"]
    score: float | None = Field(ge=0.0)


class BlindTest(_Part):
    """One test as the page saves it: the names of two orders `a` and `b`, and the trials.

    `passage` is the label of a passage or a song. `trim_by_ear_db` was given to `b` against `a`,
    beside what made the two equally loud. `right`, `of` and `probability` agree with the trials.
    """

    simchain: str
    heard: Literal[1]
    board: str
    a: str
    b: str
    passage: str
    amp: str | None
    date: str
    trim_by_ear_db: float = Field(ge=-MOST_TRIM_DB, le=MOST_TRIM_DB)
    planned: int = Field(ge=LEAST_TRIALS, le=MOST_TRIALS)
    trials: tuple[Trial, ...]
    right: int
    of: int
    probability: float
    fingerprints: Fingerprints
    predicted: Predicted | None

    @property
    def is_whole(self) -> bool:
        """Whether every trial that was planned was answered."""
        return self.of == self.planned

    @field_validator("date")
    @classmethod
    def _is_in_utc(cls, text: str) -> str:
        try:
            utc_offset = datetime.fromisoformat(text).utcoffset()
        except ValueError:
            utc_offset = None
        if utc_offset != timedelta(0):
            raise ValueError(
                f'a date in UTC like "2026-11-02T19:30:00Z" is wanted, not {shown(text)}'
            )
        return text

    @model_validator(mode="after")
    def _agrees_with_its_trials(self) -> Self:
        if self.a == self.b:
            raise ValueError(f"a and b are both {shown(self.a)}; two different orders are compared")
        of = len(self.trials)
        if not of:
            raise ValueError("trials is empty; one answer at least is wanted")
        if self.of != of:
            raise ValueError(f"of = {shown(self.of)}, but there are {of} trials")
        if of > self.planned:
            raise ValueError(f"planned = {self.planned}, but there are {of} trials")
        right = sum(trial.x == trial.answer for trial in self.trials)
        if self.right != right:
            raise ValueError(
                f"right = {shown(self.right)}, but {right} of the {of} trials are right"
            )
        chance = chance_of(right, of)
        if abs(self.probability - chance) > _ROUNDED:
            raise ValueError(
                f"probability = {shown(self.probability)}, but {right} of {of} has {chance:.4g}"
            )
        return self


def read_blind_test(path: Path) -> BlindTest:
    """Read one file that the page saved.

    Raises RequestError for a file that cannot be read, is no such result, is of another format, or
    does not agree with itself.
    """
    content = _content(path)
    _refuse_other_formats(path, content)
    try:
        return BlindTest.model_validate_json(content)
    except ValidationError as error:
        found = Findings(str(path))
        with suppress(TooManyProblemsError):  # the first is told
            found.add_invalid(error, BlindTest, "", _WHAT)
        raise RequestError(str(found.problems[0])) from error


def read_blind_tests(
    files: Sequence[Path | str],
    board: Board,
    orders: Sequence[str],
    *,
    passages: Sequence[str] | None = None,
    songs: Sequence[str] | None = None,
    amps: Sequence[str] | None = None,
) -> tuple[BlindTest, ...]:
    """Read the results that shall stand beside a comparison of `board`; the rest as `compare`.

    Raises RequestError as `read_blind_test`, when one is given twice, and when one is of an order,
    passage, song or amplifier that is not in the comparison.
    """
    if not files:
        return ()
    names = [named_order(board, order)[0] for order in orders]
    labels = [one.label for one in music_of(board, passages, songs)]
    on = [amp_name(board, amp) for amp in amps] if amps else [amp_name(board)]
    found: dict[Path, BlindTest] = {}
    for path in map(Path, files):
        test = read_blind_test(path)
        twin = next((other for other in found if found[other] == test), None)
        if twin is not None:
            raise RequestError(f"{one_line(f'{twin} and {path}')} hold the same test; give it once")
        _must_fit(path, test, names, labels, on)
        found[path] = test
    return tuple(found.values())


def _must_fit(
    path: Path,
    test: BlindTest,
    orders: Sequence[str],
    passages: Sequence[str],
    amps: Sequence[str | None],
) -> None:
    wanted: tuple[tuple[str, str | None, Sequence[str | None]], ...] = (
        ("order", test.a, orders),
        ("order", test.b, orders),
        ("passage", test.passage, passages),
        ("amplifier", test.amp, amps),
    )
    for what, name, known in wanted:
        if name not in known:
            held = f"{shown(test.a)} and {shown(test.b)} in {shown(test.passage)}"
            on = f"on {shown(test.amp)}" if test.amp else "without an amplifier"
            raise RequestError(
                f"{one_line(str(path))} is a test of {held}, {on}; "
                f"this comparison has {_named(what, known)}"
            )


def _named(what: str, known: Sequence[str | None]) -> str:
    """Return "the orders a and b", "the passage solo", "no amplifier"."""
    names = [name for name in known if name is not None]
    if not names:
        return f"no {what}"
    return f"the {what}{'s' if len(names) > 1 else ''} {listed(names, 'and')}"


def _content(path: Path) -> bytes:
    """Return what is in a file that is not too large."""
    try:
        if path.is_dir():
            raise _refusal(path, f"is a folder; {_WHAT} is a JSON file")
        if not path.exists():
            raise _refusal(path, "there is no such file; the page's blind test saves one")
        if not path.is_file():
            raise _refusal(path, "is not an ordinary file")
        with path.open("rb") as file:
            content = file.read(LARGEST_FILE + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise _refusal(path, f"cannot be read: {reason}".lower()) from error
    if len(content) > LARGEST_FILE:
        raise _refusal(path, f"is larger than {LARGEST_FILE // 1_000_000} MB: not {_WHAT}")
    if content.count(b",") > MOST_COMMAS:
        raise _refusal(path, f"holds far more than {MOST_TRIALS} trials: not {_WHAT}")
    return content


def _refuse_other_formats(path: Path, content: bytes) -> None:
    """Say it first when a file is no JSON object, or one that another simchain understands."""
    try:
        tree: Any = from_json(content)
    except ValueError as error:
        raise _refusal(path, f"is not JSON: {error}") from error
    if not isinstance(tree, dict):
        raise _refusal(path, f"holds {shown(tree)}; {_WHAT} is a JSON object")
    version = tree.get("heard")
    if version is None:
        raise _refusal(path, f'is not {_WHAT}: it has no "heard" with the number of its format')
    if version is True or version != FORMAT:
        raise _refusal(path, f"heard = {shown(version)}: this simchain reads format {FORMAT} alone")


def _refusal(path: Path, text: str) -> RequestError:
    return RequestError(one_line(f"{path}: {text}"))
