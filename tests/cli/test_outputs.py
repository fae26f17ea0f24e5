"""What a command may not write to is refused before the work begins."""

from __future__ import annotations

from pathlib import Path

import pytest
from matplotlib.figure import Figure

from camcalc import InputError
from camcalc.cli.outputs import PLOTS, refuse_outputs, write_plots


def test_an_input_is_no_output(tmp_path: Path) -> None:
    sheet = tmp_path / "build.toml"
    with pytest.raises(InputError, match="no input of this command"):
        refuse_outputs({"--html": tmp_path / "x" / ".." / "build.toml"}, [sheet, None])


def test_two_outputs_are_two_files(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="as for --html"):
        refuse_outputs({"--html": tmp_path / "a", "--markdown": tmp_path / "a"}, [])


def test_what_is_there_stays_unless_it_may_go(tmp_path: Path) -> None:
    path = tmp_path / "there.csv"
    path.write_text("kept", encoding="utf-8")
    with pytest.raises(InputError, match="there already"):
        refuse_outputs({"--out": path}, [])
    refuse_outputs({"--out": path}, [], force=True)
    assert path.read_text(encoding="utf-8") == "kept"


def test_a_file_is_no_folder_and_a_folder_no_file(tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.touch()
    with pytest.raises(InputError, match="is a file"):
        refuse_outputs({"--html": file / "brief.html"}, [])
    with pytest.raises(InputError, match="is a file"):
        refuse_outputs({}, [], folders={"--plots": (file, PLOTS)})
    with pytest.raises(InputError, match="is a folder"):
        refuse_outputs({"--html": tmp_path}, [])


def test_a_folder_that_cannot_be_written_to_is_told_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("os.access", lambda *args: False)
    with pytest.raises(InputError, match="cannot be written to"):
        refuse_outputs({"--html": tmp_path / "new" / "brief.html"}, [])


def test_folders_yet_to_be_made_and_options_left_out_are_fine(tmp_path: Path) -> None:
    refuse_outputs({"--html": tmp_path / "new" / "brief.html", "--markdown": None}, [tmp_path / "build.toml"], folders={"--plots": (tmp_path / "plots", PLOTS)})
    assert list(tmp_path.iterdir()) == []


def test_plots_are_written_by_name(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_plots(tmp_path / "plots", {"one": Figure().add_subplot()})
    assert (tmp_path / "plots" / "one.svg").read_text(encoding="utf-8").lstrip().startswith("<svg")
    assert "1 plot written" in capsys.readouterr().err
