"""What loads, and how faults are gathered; each single message is in test_messages.py."""

import os
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from simchain.board import load_board, read_board, starter
from simchain.errors import BoardError

Told = Callable[[str], list[str]]

HERE = Path(__file__).parent
EXAMPLE = (HERE / "example_of_board_md.toml").read_text()
TRAIN_BOARD = (HERE / "train_board_of_practice_md.toml").read_text()


def only(found: list[str]) -> str:
    assert len(found) == 1, found
    return found[0]


def test_the_small_board_that_the_faults_are_put_into_loads(small: str):
    assert set(read_board(small).blocks) == {"grit", "push", "repeat"}


def test_the_example_of_board_md_loads():
    board = read_board(EXAMPLE)
    assert board.title == "Ferry travel board"
    assert board.source.pickup.recorded_pf == 500
    assert board.blocks["grit"].gain_db == 24
    assert board.orders["split"].blocks == ("press", "grit", "push", "sweep", "room", "repeat")
    assert board.passages["solo"].events[0].do == "off"
    assert board.block_in("solo", "repeat").mix == 0.35
    assert board.block_in("verse", "repeat").mix == board.blocks["repeat"].mix
    assert board.songs["set"].passages == ("verse", "solo")
    assert board.rules.before == (("grit", "room"),)


def test_the_example_loads_in_full():
    text = EXAMPLE.replace("# LINKS", 'links = "real"').replace(
        "mix = 0.35 } }", "mix = 0.35 }, source = { volume = 0.9 } }"
    )
    board = read_board(text)
    assert board.links == "real"
    assert board.pickup_in("solo").volume == 0.9
    assert board.pickup_in("verse").volume == 1.0


def test_the_train_board_of_practice_md_loads():
    board = read_board(TRAIN_BOARD)
    assert board.amps["hot"].cabinet == "closed"
    assert board.output.amps == ("crunch",)
    assert board.source.pickup.tone_nf == 22


def test_the_demo_is_the_train_board():
    demo, train = read_board(starter("demo")), read_board(TRAIN_BOARD)
    assert demo.orders == train.orders
    assert demo.passages == train.passages
    assert demo.amps == train.amps
    for name, block in train.blocks.items():
        assert (
            block.model_dump().items() - {("purpose", "")}
            <= {
                **demo.blocks[name].model_dump(exclude={"supply_range_volts"}),
                "supply_range_volts": None,
            }.items()
        )


def test_left_out_tables_have_their_defaults(small: str):
    board = read_board(small, file="somewhere/travel.toml", folder=Path("somewhere"))
    assert (board.title, board.rate, board.links, board.tail_s) == ("travel", 48000, "real", 2.0)
    assert (board.file, board.folder) == ("somewhere/travel.toml", Path("somewhere"))
    assert board.output.amps == ("mine",)
    assert board.source.full_scale_dbu == 12.0
    assert (
        read_board(small.replace("clip", 'kind = "piezo"\nclip')).source.pickup.capacitance_pf
        == 500
    )


def test_a_band_too_high_for_the_boards_rate_is_refused(small: str, problems_of: Told):
    text = small.replace('kind = "boost"', 'kind = "equalizer"\nbands = [{ hz = 20000 }]')
    said = only(problems_of("rate = 44100\n" + text))
    assert re.search(
        r"\[blocks\.push\] bands, entry 1, hz = 20000 is too high for rate = 44100", said
    )


def test_all_problems_come_at_once_and_a_fault_is_told_once(small: str, problems_of: Told):
    text = small.replace('kind = "boost"', 'kind = "boost"\ngain_db = 900\ngian_db = 3')
    text = text.replace('on = ["grit"]', 'on = ["gritt", "push"]\ntail_s = -1')
    assert len(problems_of(text)) == 4


def test_after_fifty_problems_it_stops(small: str, problems_of: Told):
    keys = "\n".join(f"key{number} = 1" for number in range(300))
    found = problems_of(small.replace('kind = "boost"', f'kind = "boost"\n{keys}'))
    assert len(found) == 51
    assert "these are the first 50 problems" in found[-1]


def test_a_problem_says_file_table_key_value_and_what_is_allowed(small: str):
    with pytest.raises(BoardError, match=r"^my\.toml: \[blocks\.push\] gain_db = 900: ") as caught:
        read_board(small.replace('"boost"', '"boost"\ngain_db = 900'), file="my.toml")
    (problem,) = caught.value.problems
    assert (problem.file, problem.table, problem.key) == ("my.toml", "blocks.push", "gain_db")
    assert (problem.value, problem.allowed) == ("900", "-60 to 80 dB")


def test_an_order_longer_than_a_screen_of_text_is_shown_shortened(small: str, problems_of: Told):
    said = problems_of(small.replace('"boost"', '"' + "x" * 5000 + '"'))
    assert len(said[0]) < 300


def test_control_characters_are_written_out(small: str, problems_of: Told):
    said = problems_of(small.replace('"boost"', '"bo\\u001b[31m\\nost"'))
    assert all(sign.isprintable() for sign in said[0])


@pytest.mark.parametrize("family", ["blocks", "orders", "passages"])
def test_a_missing_table_says_what_is_needed(small: str, problems_of: Told, family: str):
    text = re.sub(rf"\[{family}\.\w+\]\n(?:\w+ = .*\n)+", "", small)
    assert any(
        re.search(rf"\[{family}\] a board has at least one", said) for said in problems_of(text)
    )


def test_an_empty_file_says_what_a_board_needs(problems_of: Told):
    assert len(problems_of("")) == 3


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("title = \n", r"is not TOML: invalid value \(at line 1, column \d+\)"),
        ("a = 1\na = 2\nb = 3", r"is not TOML: .*line 2"),
        ("x = " + "[" * 100_000, r"is nested too deeply|is not TOML"),
        ("x = " + "[" * 50 + "]" * 50, r"is nested too deeply"),
        ("x" + ".x" * 40 + " = 1", r"is nested too deeply"),
        ("x = " + "9" * 5000, r"digits"),
        ("x = 0x" + "f" * 6000, r"digits"),
        ("x = '\x00'", r"is not TOML"),
    ],
)  # fmt: skip
def test_what_is_no_toml_is_told_with_its_line(problems_of: Told, text: str, says: str):
    assert re.search(says, problems_of(text)[0])


def test_too_many_blocks_are_refused_in_one_line(problems_of: Told):
    blocks = "\n".join(f"[blocks.b{number}]\nkind = 'boost'" for number in range(10_000))
    said = only(problems_of(blocks + '\n[orders.a]\nfront = []\n[passages.a]\nclip = "riff"'))
    assert re.search(r"\[blocks\] 10000 blocks: 64 are the most", said)


def test_files_that_are_no_board(tmp_path: Path):
    cases: list[tuple[Path, bytes | None, str]] = [
        (tmp_path / "none.toml", None, "there is no such file"),
        (tmp_path, None, "is a folder; a board is a TOML file"),
        (tmp_path / "big.toml", b"#" * 1_000_001, "is larger than 1 MB"),
        (tmp_path / "latin.toml", b'a = 1\ntitle = "\xe4"', r"is not UTF-8 text \(line 2\)"),
        (tmp_path / "empty.toml", b"", "a board has at least one block"),
        (tmp_path / "sound.toml", b"fLaC\x00\x00\x00", "is not TOML"),
        (Path(os.devnull), None, "is not an ordinary file"),
    ]
    for path, content, says in cases:
        if content is not None:
            path.write_bytes(content)
        with pytest.raises(BoardError, match=says):
            load_board(path)


def test_a_file_with_a_byte_order_mark_and_windows_line_ends_loads(small: str, tmp_path: Path):
    path = tmp_path / "board.toml"
    path.write_bytes(b"\xef\xbb\xbf" + small.replace("\n", "\r\n").encode())
    assert load_board(path).folder == tmp_path


def test_several_amplifiers_without_output_take_the_first(small: str):
    board = read_board(small + "[amps.other]\n")
    assert board.output.amps == ("mine",)
    assert "amps" not in board.output.model_fields_set
