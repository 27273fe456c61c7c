"""Making the clips again from the command line; the playing itself is tested in test_clips.py."""

import pytest

from simchain import clips
from simchain.clips import __main__ as command
from simchain.clips import recording


@pytest.fixture
def quick(monkeypatch):
    monkeypatch.setattr(recording, "flac", lambda piece: piece.name.encode())


@pytest.mark.usefixtures("quick")
def test_writes_every_clip_into_the_folder(tmp_path, capsys):
    assert command.main([str(tmp_path / "new")]) == 0
    assert sorted(file.name for file in (tmp_path / "new").iterdir()) == sorted(
        f"{name}.flac" for name in clips.names()
    )
    assert (tmp_path / "new" / "lead.flac").read_bytes() == b"lead"
    assert capsys.readouterr().out == f"6 clips written to {tmp_path / 'new'}\n"


@pytest.mark.usefixtures("quick")
def test_a_file_in_the_way_is_one_line_and_status_2(tmp_path, capsys):
    (tmp_path / "taken").touch()
    assert command.main([str(tmp_path / "taken")]) == 2
    shown = capsys.readouterr().err
    assert shown.count("\n") == 1
    assert shown.startswith(f"cannot write into {tmp_path / 'taken'}: ")


def test_too_many_arguments(capsys):
    assert command.main(["a", "b"]) == 2
    assert "usage: python -m simchain.clips [FOLDER]" in capsys.readouterr().err
