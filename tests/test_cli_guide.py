"""The guide: every page is there, and what it tells to type can be typed."""

import json
import re
import shlex
import tomllib
from pathlib import Path
from typing import Any

import pytest
import typer

from simchain.blocks import kinds
from simchain.board.read import read_board
from simchain.cli import app
from simchain.errors import RequestError
from simchain.report.guide import PAGES, page, page_html, picture
from tests.conftest import Simchain

FENCED = re.compile(r"^ *```\n(.*?)^ *```$", re.MULTILINE | re.DOTALL)
COMMAND = re.compile(r"\bsimchain [a-z-]+[^`\n]*")


def typed() -> list[str]:
    """Every command that stands in a page, whether in a line of its own or among words."""
    quoted = (
        quote
        for name in PAGES
        for quote in [*FENCED.findall(page(name)), *re.findall(r"`([^`\n]+)`", page(name))]
    )
    return sorted({found.strip() for quote in quoted for found in COMMAND.findall(quote)})


@pytest.mark.parametrize("line", typed())
def test_what_the_guide_says_can_be_typed(line: str) -> None:
    """The command is there, takes so many arguments, and knows the options."""
    _, name, *rest = shlex.split(line, comments=True)
    commands: Any = typer.main.get_command(app)
    assert name in commands.commands, line
    names_a_board = any(part.endswith(".toml") for part in rest)
    commands.commands[name].make_context(name, list(rest), resilient_parsing=not names_a_board)


def test_the_first_commands_work(simchain_command: Simchain, tmp_path: Path) -> None:
    file = tmp_path / "board.toml"
    assert simchain_command("new", file).status == 0
    assert simchain_command("check", file).status == 0


def test_tables_in_the_guide_are_a_board() -> None:
    """All of them together, with what they leave to the reader, make a board that loads."""
    tables = [
        quote
        for name in PAGES
        if name != "plan"
        for quote in FENCED.findall(page(name))
        if quote.startswith("[")
    ]
    written = tomllib.loads("\n".join(t for t in tables if not t.startswith("[source]")))
    assert {"blocks", "orders", "passages"} <= written.keys()
    order = written["orders"]["split"]
    missing = {*order["front"], *order["loop"]} - written["blocks"].keys()
    text = "\n".join(t for t in tables if "loudest_peak_volts" not in t)
    text += "".join(f'[blocks.{name}]\nkind = "boost"\n' for name in sorted(missing))
    text += '[amps.any]\n[output]\namps = ["any"]\n[passages.riff]\nclip = "riff"\n'
    board = read_board(text)
    assert board.source.full_scale_dbu == 12.0
    assert board.passage("solo").above is not None


def test_the_example_of_a_floor_and_its_supply_can_be_planned(
    simchain_command: Simchain, tmp_path: Path
) -> None:
    (example,) = (quote for quote in FENCED.findall(page("plan")) if quote.startswith("["))
    board = tmp_path / "board.toml"
    board.write_text(
        f'source = {{ kind = "guitar", clip = "riff", full_scale_dbu = 12 }}\n{example}\n'
        '[amps.mine]\n[output]\namps = ["mine"]\n'
        '[orders.a]\nfront = ["grit", "push", "room"]\n[passages.solo]\non = ["grit", "push"]\n'
    )
    ran = simchain_command("plan", board, "--order", "a", "--out", tmp_path / "a.html", "--json")
    assert ran.status == 0
    assert all("only a slim plug fits" in line for line in ran.err.splitlines())
    document = json.loads(ran.out)
    fed = {unit: one["outlet"] for one in document["power"] for unit in one["blocks"]}
    assert fed == {"grit": "1", "push": "3", "room": "4"}
    assert sum(cable["measured"] for cable in document["cables"]) == 2


def test_pages(simchain_command: Simchain) -> None:
    ran = simchain_command("guide")
    assert ran.status == 0
    for name, title in PAGES.items():
        assert re.search(rf"^{name} +{re.escape(title)}$", ran.out, re.MULTILINE)
        assert title in simchain_command("guide", name).out
        assert page(name).startswith(f"# {title}\n")
    assert [
        each["name"] for each in json.loads(simchain_command("guide", "--json").out)["pages"]
    ] == list(PAGES)


def test_every_kind_has_its_line() -> None:
    assert set(re.findall(r"^\*\*([a-z_]+)\*\*: ", page("models"), re.MULTILINE)) == set(kinds())


def test_pages_as_html() -> None:
    """Links lead from page to page, and pictures are there."""
    for name in PAGES:
        html = page_html(name)
        for target in re.findall(r'href="([^"]+)"', html):
            assert target in PAGES
        for file in re.findall(r'<img src="([^"]+)"', html):
            assert (picture(file) or b"").startswith(b"\x89PNG")
    assert picture("../cli.py") is None


def test_a_page_that_is_not_there(simchain_command: Simchain) -> None:
    ran = simchain_command("guide", "models2")
    assert ran.status == 2
    assert ran.err.startswith("no page 'models2' in the guide (there are: start, board")
    with pytest.raises(RequestError, match="did you mean 'verdicts'"):
        page("verdict")
