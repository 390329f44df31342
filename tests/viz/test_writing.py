"""Outputs are whole or absent, whatever happens on the way."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from quillwise.kinematics.errors import OutputError
from quillwise.viz.writing import PART_SUFFIX, numbered_folder, write_whole


def _only(folder: Path) -> list[str]:
    return sorted(entry.name for entry in folder.iterdir())


def test_the_file_appears_whole_at_the_end(tmp_path: Path) -> None:
    target = tmp_path / "table.txt"
    with write_whole(target) as part:
        assert part.parent == tmp_path
        assert part.name.startswith(".table.txt.")
        assert part.name.endswith(PART_SUFFIX)
        part.write_text("half")
        assert not target.exists()
        part.write_text("whole")
    assert target.read_text() == "whole"
    assert _only(tmp_path) == ["table.txt"]


@pytest.mark.skipif(sys.platform == "win32", reason="file modes are POSIX's")
def test_the_file_gets_the_usual_mode(tmp_path: Path) -> None:
    plain = tmp_path / "plain"
    plain.write_text("")
    with write_whole(tmp_path / "ours") as part:
        part.write_text("")
    assert (tmp_path / "ours").stat().st_mode == plain.stat().st_mode


@pytest.mark.parametrize("error", [ValueError, KeyboardInterrupt, SystemExit])
def test_an_error_or_an_interrupt_leaves_nothing(tmp_path: Path, error: type[BaseException]) -> None:
    with pytest.raises(error), write_whole(tmp_path / "film.mp4") as part:
        part.write_bytes(b"half")
        raise error
    assert _only(tmp_path) == []


def test_an_error_leaves_the_old_file(tmp_path: Path) -> None:
    target = tmp_path / "film.mp4"
    target.write_bytes(b"old")
    with pytest.raises(KeyboardInterrupt), write_whole(target, force=True) as part:
        part.write_bytes(b"half")
        raise KeyboardInterrupt
    assert target.read_bytes() == b"old"
    assert _only(tmp_path) == ["film.mp4"]


@pytest.mark.skipif(sys.platform == "win32", reason="signals are POSIX's")
def test_a_real_interrupt_leaves_nothing(tmp_path: Path) -> None:
    script = (
        "import sys, time\n"
        "from quillwise.viz.writing import write_whole\n"
        "with write_whole(sys.argv[1]) as part:\n"
        "    part.write_bytes(b'half')\n"
        "    time.sleep(60)\n"
    )
    child = subprocess.Popen(
        [sys.executable, "-c", script, str(tmp_path / "film.mp4")], stderr=subprocess.PIPE, text=True
    )
    until = time.monotonic() + 30
    while not any(entry.stat().st_size for entry in tmp_path.iterdir()) and time.monotonic() < until:
        time.sleep(0.02)
    assert len(_only(tmp_path)) == 1
    child.send_signal(signal.SIGINT)
    _, errors = child.communicate(timeout=30)
    assert "KeyboardInterrupt" in errors
    assert _only(tmp_path) == []


def test_nothing_is_overwritten_without_force(tmp_path: Path) -> None:
    target = tmp_path / "events.csv"
    target.write_text("old")
    with pytest.raises(OutputError, match=re.escape(f"{target} exists; --force overwrites it")), write_whole(target):
        pytest.fail("the block must not run")
    assert target.read_text() == "old"
    with write_whole(target, force=True) as part:
        part.write_text("new")
    assert target.read_text() == "new"


def test_a_file_that_appears_meanwhile_is_not_overwritten(tmp_path: Path) -> None:
    target = tmp_path / "events.csv"
    with pytest.raises(OutputError, match="exists; --force"), write_whole(target) as part:
        part.write_text("ours")
        target.write_text("somebody else's")
    assert target.read_text() == "somebody else's"
    assert _only(tmp_path) == ["events.csv"]


def test_two_runs_at_once_do_not_mix(tmp_path: Path) -> None:
    target = tmp_path / "a.txt"
    with write_whole(target, force=True) as first, write_whole(target, force=True) as second:
        first.write_text("first")
        second.write_text("second")
    assert target.read_text() == "first"
    assert _only(tmp_path) == ["a.txt"]


@pytest.mark.parametrize("force", [False, True])
def test_what_is_no_plain_file_is_refused(tmp_path: Path, force: bool) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "real").write_text("kept")
    (tmp_path / "link").symlink_to(tmp_path / "real")
    (tmp_path / "nowhere").symlink_to(tmp_path / "absent")
    cases = {
        tmp_path / "folder": "is a folder; a file name is needed",
        tmp_path / "link": "is a link; name the file itself",
        tmp_path / "nowhere": "is a link; name the file itself",
        tmp_path / "absent" / "x.png": f"cannot be written: there is no folder {tmp_path / 'absent'}",
        tmp_path / "real" / "x.png": f"cannot be written: {tmp_path / 'real'} is not a folder",
        Path(os.devnull): "is a device, not a file",
        tmp_path / ("n" * 300): "cannot be written: the name is too long",
    }
    for target, reason in cases.items():
        with pytest.raises(OutputError) as caught, write_whole(target, force=force):
            pytest.fail("the block must not run")
        assert str(caught.value) == f"{target} {reason}"
    assert (tmp_path / "real").read_text() == "kept"
    assert not (tmp_path / "absent").exists()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="/dev/full is Linux's")
def test_a_full_disk_is_told_and_leaves_nothing(tmp_path: Path) -> None:
    target = tmp_path / "film.mp4"
    with pytest.raises(OutputError) as caught, write_whole(target) as part:
        part.write_bytes(b"half")
        Path("/dev/full").write_bytes(b"x" * 100_000)  # a real "no space left on device"
    assert str(caught.value) == f"{target} cannot be written: the disk is full"
    assert _only(tmp_path) == []


@pytest.mark.skipif(sys.platform == "win32", reason="limits of resources are POSIX's")
def test_a_file_larger_than_allowed_is_told(tmp_path: Path) -> None:
    script = (
        "import resource, sys\n"
        "from quillwise.kinematics.errors import OutputError\n"
        "from quillwise.viz.writing import write_whole\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))\n"
        "try:\n"
        "    with write_whole(sys.argv[1]) as part:\n"
        "        part.write_bytes(b'x' * 5000)\n"
        "except OutputError as error:\n"
        "    print(error)\n"
    )
    target = tmp_path / "film.mp4"
    done = subprocess.run(
        [sys.executable, "-c", script, str(target)], capture_output=True, text=True, timeout=60, check=True
    )
    assert done.stdout == f"{target} cannot be written: the file would be larger than is allowed here\n"
    assert _only(tmp_path) == []


@pytest.mark.skipif(sys.platform == "win32", reason="file modes are POSIX's")
def test_a_folder_that_may_not_be_written_to_is_told(tmp_path: Path) -> None:
    locked = tmp_path / "locked"
    locked.mkdir()
    script = (
        "import os, sys\n"
        "from quillwise.kinematics.errors import OutputError\n"
        "from quillwise.viz.writing import write_whole\n"
        "os.chdir(sys.argv[1])\n"
        "os.chmod('.', 0o555)\n"
        "if os.geteuid() == 0:\n"
        "    os.seteuid(65534)\n"
        "try:\n"
        "    with write_whole('a.png'):\n"
        "        pass\n"
        "except OutputError as error:\n"
        "    print(error)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(locked)], capture_output=True, text=True, timeout=60, check=True
    )
    locked.chmod(0o755)
    assert done.stdout == "a.png cannot be written: permission denied\n"


def test_an_error_about_another_file_is_not_blamed_on_the_output(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError), write_whole(tmp_path / "out.txt"):
        (tmp_path / "input.txt").read_text()
    assert _only(tmp_path) == []


def test_folders_are_numbered(tmp_path: Path) -> None:
    base = tmp_path / "larkfell-port-steps"
    made = [numbered_folder(base) for _ in range(3)]
    assert [folder.name for folder in made] == [
        "larkfell-port-steps",
        "larkfell-port-steps-2",
        "larkfell-port-steps-3",
    ]
    assert all(folder.is_dir() for folder in made)


def test_a_file_of_that_name_is_passed_over(tmp_path: Path) -> None:
    (tmp_path / "steps").write_text("a file")
    assert numbered_folder(tmp_path / "steps").name == "steps-2"


def test_a_folder_in_a_folder_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(OutputError) as caught:
        numbered_folder(tmp_path / "absent" / "steps")
    assert str(caught.value) == (
        f"{tmp_path / 'absent' / 'steps'} cannot be made: there is no folder {tmp_path / 'absent'}"
    )
