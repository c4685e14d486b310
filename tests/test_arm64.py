"""The core on 64-bit Arm, emulated: the same boxes as here, and a drive of the emulated board."""

import os
import sys
from pathlib import Path

import numpy as np
import pytest
from docs_walk import ROOT

sys.path.insert(0, str(ROOT / "instructor"))
import run_on_arm64

# "1", or a folder in which the unpacked system is kept for the next time.
WANTED = os.environ.get("ROBOTLAB_ARM64", "")


@pytest.mark.slow
@pytest.mark.skipif(
    not WANTED,
    reason="downloads 90 MB from Debian and PyPI, so it runs where it is asked for: set ROBOTLAB_ARM64=1, or to a folder to keep them in",
)
def test_a_trained_file_finds_the_same_on_arm_and_drive_runs_there(tmp_path):
    missing = run_on_arm64.missing_tools()
    if missing:
        pytest.skip(f"needs {', '.join(missing)}")
    model, pictures = run_on_arm64.trained_file(tmp_path)
    result = run_on_arm64.compare(tmp_path if WANTED == "1" else Path(WANTED).absolute(), model, pictures)
    assert result["arm"]["machine"] == "aarch64"
    assert result["boxes"] >= len(pictures)
    assert result["score"] <= run_on_arm64.SAME_SCORE and result["px"] <= run_on_arm64.SAME_PX
    assert result["arm"]["reason"] == "the time was over" and result["arm"]["pictures"] >= 1
    # Of the wheels alone, and of a process that holds the emulator as well.
    assert result["site_mb"] + result["robotlab_mb"] < 200 and result["arm"]["peak_mb"] < 250


def test_it_says_which_tools_are_missing(monkeypatch):
    monkeypatch.setattr(run_on_arm64.shutil, "which", lambda tool, path: None)
    words = " ".join(run_on_arm64.missing_tools())
    assert "qemu-user-static" in words or words == "Linux"


def test_outputs_that_differ_are_found(tmp_path):
    def wrote(name, scores, labels=(0, 1)):
        boxes = np.arange(8.0).reshape(2, 4)
        np.savez(tmp_path / name, boxes=boxes, scores=np.array(scores), counts=[1, 1], labels=np.array(labels))
        return tmp_path / name

    here = wrote("here.npz", (0.9, 0.8))
    assert run_on_arm64.differences(here, here) == (2, 0.0, 0.0)
    assert run_on_arm64.differences(here, wrote("there.npz", (0.9, 0.81)))[1] == pytest.approx(0.01)
    with pytest.raises(SystemExit, match="must find the same things"):
        run_on_arm64.differences(here, wrote("there.npz", (0.9, 0.8), (0, 0)))
