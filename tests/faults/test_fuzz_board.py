"""Whatever stands in a board file: it is a board, or it is told in lines what is wrong with it.

`tests/board/test_mutations.py` changes the tables of a good board; here its text is changed, token
by token, and files are as large as a file may be. A few boards in the usual run; thousands, others
each time, with `pytest -m soak tests/faults/test_fuzz_board.py`.
"""

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simchain.board import STARTERS, Allowed, Board, check_board, read_board, starter
from simchain.errors import BoardError, Problem
from tests.conftest import Simchain
from tests.faults.doors import Doors
from tests.faults.fuzzing import FEW, MANY

TOKEN = re.compile(r'"""|\'\'\'|"[^"\n]*"|[A-Za-z0-9_.+-]+|\s+|#[^\n]*|.')
BOARDS = {
    **{name: starter(name) for name in STARTERS},
    "all": Path("tests/board/example_of_board_md.toml").read_text(encoding="utf-8"),
    "train": Path("tests/board/train_board_of_practice_md.toml").read_text(encoding="utf-8"),
}
NUMBER = re.compile(r"[+-]?[0-9][0-9_.]*")
PLAUSIBLE = (
    "0",
    "-1",
    "1",
    "2",
    "0.5",
    "1e-9",
    "3",
    "7.5",
    "12",
    "-60",
    "80",
    "440",
    "2e4",
    "96000",
)
WAYS = (
    *("number", "number", "number", "text", "text"),
    *("other", "other", "strange", "without", "exchange", "twice"),
)
STRANGE = (
    *("nan", "inf", "-inf", "-0", "1e308", "-1e308", "5e-324", "1e999", "0x7fffffffffffffff"),
    *("9223372036854775807", "9223372036854775808", "9" * 400, "9" * 5000, "1_000", "0b1", "0o7"),
    *("true", "false", "[]", "{}", "[[]]", "[{}]", "{a = 1}", "[1, 2, 3]", '["grit", "grit"]'),
    *('""', '"\\u0000"', '"\\u202egrit"', '"\\ud800"', '"\\U0010ffff"', '"é"', '"\u00e9"', "'\\'"),
    *('"[bold]x[/]"', '"{x}"', '"%s"', '"../x"', '"/etc/passwd"', '"/dev/zero"', '"."', '" "'),
    *("1979-05-27", "07:32:00", "1979-05-27T07:32:00Z", '"""', "'''", "[" * 30, "{a=" * 30, "=="),
    *("\x00", "\ufeff", "\r", "\r\n", "\u2028", "\x1b[31m", "\x7f", "\u202e", "\xa0", "#", '"'),
    *(".", "..", ".a.b", "[", "]", "[[", "]]", "=", ",", "{", "}", "\n", "\n\n[blocks]\n"),
    *(
        "[blocks.grit]",
        "[[blocks]]",
        "[orders]",
        "[source]",
        "kind",
        "front",
        "on",
        "set",
        "events",
    ),
    *("a." * 40 + "a", "x" * 3000, '"' + "x" * 3000 + '"', "[" + '"a",' * 2000 + "]"),
)


@st.composite
def hostile_boards(draw: st.DrawFn) -> str:
    """A board to whose tokens something was done."""
    tokens = TOKEN.findall(BOARDS[draw(st.sampled_from([*BOARDS]))])
    written = [number for number, token in enumerate(tokens) if not token.isspace()]
    numbers = [number for number in written if NUMBER.fullmatch(tokens[number])]
    texts = [number for number in written if tokens[number].startswith('"')]
    for _ in range(draw(st.sampled_from((1, 1, 2, 3, 6)))):
        at = draw(st.sampled_from(written))
        match draw(st.sampled_from(WAYS)):
            case "number":
                tokens[draw(st.sampled_from(numbers))] = draw(st.sampled_from(PLAUSIBLE))
            case "text":
                tokens[draw(st.sampled_from(texts))] = tokens[draw(st.sampled_from(texts))]
            case "strange":
                tokens[at] = draw(st.sampled_from(STRANGE))
            case "other":
                tokens[at] = draw(st.sampled_from((*STRANGE, *filter(str.strip, tokens))))
            case "without":
                tokens[at] = ""
            case "exchange":
                to = draw(st.sampled_from(written))
                tokens[at], tokens[to] = tokens[to], tokens[at]
            case "twice":
                lines = draw(st.integers(1, 40))
                tokens[at] = "".join(tokens[at : at + lines] * draw(st.integers(2, 4)))
    return "".join(tokens)


def read(text: str) -> Board | None:
    """Read a text as it stands in a file, and look over what is said of it."""
    problems: tuple[Problem, ...] = ()
    try:
        board = read_board(text, file="board.toml")
    except BoardError as error:
        problems = error.problems
    else:
        for warning in check_board(board):
            assert str(warning).isprintable()
        allowed = Allowed(board, has_amplifier=bool(board.output.amps))
        assert 0 <= allowed.count <= allowed.total
        return board
    assert 1 <= len(problems) <= 51
    for problem in problems:
        assert str(problem).isprintable()
        assert len(str(problem)) < 2000
        for words in ("Input should", "Value error", "something else", "<class", "None"):
            assert words not in str(problem)
    return None


def test_a_board_of_other_tokens_is_read_or_refused() -> None:
    FEW(given(hostile_boards())(lambda text: void(read(text))))()


@pytest.mark.soak
def test_thousands_of_boards_of_other_tokens() -> None:
    settings(MANY, max_examples=10_000)(given(hostile_boards())(lambda text: void(read(text))))()


def void(_: object) -> None:
    """Say nothing: a property that returns something is a mistake to hypothesis."""


def checked(simchain: Simchain, path: Path, text: str) -> None:
    """`check` of a file says what is wrong, and ends in order."""
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    for options in ((), ("--json",)):
        ran = simchain("check", path, *options)
        assert ran.status in (0, 2), ran.err
        assert "Traceback" not in ran.out + ran.err
        assert "fault of its own" not in ran.err


def test_check_of_a_board_of_other_tokens(simchain_command: Simchain, tmp_path: Path) -> None:
    path = tmp_path / "board.toml"
    few = settings(FEW, max_examples=15)
    few(given(hostile_boards())(lambda text: checked(simchain_command, path, text)))()


@pytest.mark.soak
def test_check_of_thousands(simchain_command: Simchain, tmp_path: Path) -> None:
    path = tmp_path / "board.toml"
    MANY(given(hostile_boards())(lambda text: checked(simchain_command, path, text)))()


# As large as a file may be

SMALL = """
source = {{ clip = "riff"{source} }}
[rules]
{rules}
[blocks.grit]
kind = "{kind}"
[blocks.push]
kind = "boost"
[orders.a]
front = ["{front}", "push"]
[passages.p]
on = ["grit"{on}]
events = [{events}]
[songs.s]
passages = ["p"{songs}]
"""
PARTS = ("source", "rules", "front", "on", "events", "songs")
PAIRS = ", ".join(f'["b{number}", "b{number + 1}"]' for number in range(0, 64, 2))


def small(more: str = "", *, kind: str = "drive", front: str = "grit", **parts: str) -> str:
    given = dict.fromkeys(PARTS, "") | {"kind": kind, "front": front} | parts
    return SMALL.format(**given) + more


def many(table: str, entry: str, count: int = 30_000) -> str:
    return small("".join(f"[{table}.b{number}]\n{entry}\n" for number in range(count)))


# Each text, what is said of it, and of how many orders where it loads.
LARGE: dict[str, tuple[str, str]] = {
    "10,000 blocks": (many("blocks", "kind = 'boost'", 10_000), "10002 blocks: 64 are the most"),
    "10,000 orders": (many("orders", "front = ['grit']", 10_000), "10001 orders: 64 are the most"),
    "10,000 passages": (many("passages", "on = []", 10_000), "10001 passages: 64 are the most"),
    "10,000 songs": (many("songs", "passages = []", 10_000), "10001 songs: 64 are the most"),
    "lists in lists": ("x = " + "[" * 499_000 + "]" * 499_000, "nested too deeply"),
    "tables in tables": ("x = " + "{a = " * 1000 + "1" + "}" * 1000, "nested too deeply"),
    "a key of dots": ("x" + ".x" * 499_000 + " = 1", "a key of over 32 parts"),
    "a key of dots and quotes": ("a . \"b\" . 'c' . " * 40_000 + "a = 1", "a key of over 32 parts"),
    "a table of dots": ("[[" + "x." * 400_000 + "x]]", "a key of over 32 parts"),
    "keys of 31 dots": ("".join(f"k{n}{'.x' * 31} = 1\n" for n in range(13_000)), "too deeply"),
    "dots in a comment": (small("# " + "x." * 400_000), "2 orders"),
    "dots in a text": (small(source=', hum_hz = 50}\ntitle = "' + "x." * 40), "is not TOML"),
    "an open text": (small('"' * 900_000), "is not TOML"),
    "an open text of lines": (small('a = """\n' + '\\"""\n' * 180_000), "is not TOML"),
    "an open text of escapes": (small('a = "' + '\\"' * 400_000), "is not TOML"),
    "a name": (small(front="x" * 900_000), "has no block"),
    "a kind": (small(kind="x" * 900_000), "no such kind"),
    "a key": (small('"' + "k" * 900_000 + '" = 1'), "no such key"),
    "a number": (small("x = " + "9" * 900_000), "digits"),
    "a fraction": (small("x = 0." + "9" * 900_000), "no such key"),
    "an order": (small(front='grit", "grit' * 60_000), "once is allowed"),
    "an order of strangers": (
        small(front='", "'.join(f"x{number}" for number in range(90_000))),
        "has no block",
    ),
    "numbers for names": (small(on=", inf" * 180_000), "text in quotes is wanted"),
    "events": (small(events='{at = 0.1, block = "grit", do = "on"}, ' * 20_000), "2 orders"),
    "a song": (small(songs=', "p"' * 150_000), "200 entries at most"),
    "pairs of rules": (small(rules="before = [" + '["push", "grit"], ' * 45_000 + "]"), "1000 ent"),
    "a list of rules": (small(rules="first = [" + '"grit", ' * 90_000 + "]"), "64 entries at most"),
    "rules of pairs": (
        small(
            "".join(f"[blocks.b{n}]\nkind = 'boost'\n" for n in range(62)),
            rules=f"before = [{PAIRS}]",
        )
        .replace("b62", "grit")
        .replace("b63", "push"),
        "cannot be counted",
    ),
    "rules that contradict": (
        small(rules="before = [" + '["push", "grit"], ["grit", "push"], ' * 500 + "]"),
        "0 orders",
    ),
}
MOST_MB, MOST_CPU_S = 400.0, 20.0


USUAL = (
    *("10,000 blocks", "10,000 orders", "10,000 passages", "tables in tables", "a key of dots"),
    *("an open text of lines", "a name", "a song", "rules that contradict"),
)


@pytest.mark.parametrize(
    "what",
    [
        *USUAL,
        *(pytest.param(name, marks=pytest.mark.soak) for name in LARGE if name not in USUAL),
    ],
)
def test_a_large_board_is_read_or_refused_for_little(
    doors: Doors, tmp_path: Path, what: str
) -> None:
    text, said = LARGE[what]
    path = tmp_path / "board.toml"
    path.write_text(text, encoding="utf-8")
    assert path.stat().st_size <= 1_000_000
    found = doors.open("orders", path)
    print(f"{len(text) / 1e6:.2f} MB: {found.taken_mb} MB, {found.cpu_s} s: {found.said[:150]}")
    assert found.kind in ("read", "refused"), found.said
    assert said in found.said
    assert found.taken_mb <= MOST_MB
    assert found.cpu_s <= MOST_CPU_S
    checked = doors.open("command", "check", path)
    assert checked.kind == "ended", checked.said
    assert checked.status in (0, 2), checked.said
    assert "Traceback" not in checked.said
    assert checked.taken_mb <= MOST_MB
