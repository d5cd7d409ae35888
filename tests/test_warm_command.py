"""A command that is forked from a process which has loaded it does what one does that is started anew."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest
from six_bones import BONEWRIGHT
from tiny_batch import make_tiny_batch
from warm_command import warm_command


@pytest.mark.parametrize("arguments", [("status",), ("plan", "--json"), ("build", "no-such-bone"), ("check", "--no-such-option")])
def test_code_answer_and_complaints_are_those_of_a_fresh_start(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...]) -> None:
    monkeypatch.chdir(make_tiny_batch(tmp_path / "batch"))
    fresh = subprocess.run([*BONEWRIGHT, *arguments], capture_output=True, text=True, encoding="utf-8", check=False)
    warm = warm_command(arguments, 60.0)
    assert (warm.returncode, warm.stdout, warm.stderr) == (fresh.returncode, fresh.stdout, fresh.stderr)


def test_each_call_has_the_environment_of_its_caller_and_is_a_process_of_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    narrow = warm_command(["--help"], 60.0).stdout
    monkeypatch.setenv("COLUMNS", "140")
    wide = warm_command(["--help"], 60.0).stdout
    assert len(max(narrow.splitlines(), key=len)) < 60 < len(max(wide.splitlines(), key=len))
    assert os.environ["COLUMNS"] == "140"


def test_a_command_that_takes_too_long_is_ended_and_the_next_one_answers() -> None:
    with pytest.raises(subprocess.TimeoutExpired):
        warm_command(["--help"], 1e-6)
    assert warm_command(["--help"], 60.0).returncode == 0
