"""Wheels for a room without network: fetched, and installed where no route leads out."""

import os
import re
import shutil
import subprocess
import sys

import pytest
from docs_walk import ROOT
from stand_in_wheels import without_network

from robotlab.cli import main
from robotlab.errors import InputError
from robotlab.packs import PLATFORMS, pack_offline
from robotlab.packs.library_wheel import wheel
from robotlab.packs.offline_pack import posix_script, requirements, windows_script
from robotlab.packs.platforms import this_platform, this_python
from robotlab.packs.wheels import fetch_wheels, missing


def no_route():
    words = without_network()
    if words is None:
        pytest.skip("neither unshare nor bwrap may make a namespace without network here")
    return words


def installed(folder, python=sys.executable):
    """Run a pack's script where no route leads out; the environment that it made."""
    environment = {"PATH": "/usr/bin:/bin", "PYTHON": python, "HOME": str(folder)}
    # No other index or folder is known there.
    ran = subprocess.run(
        [*no_route(), "sh", str(folder / "install.sh")], env=environment, capture_output=True, text=True, cwd="/"
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
    return folder / ".venv" / "bin"


@pytest.mark.slow
def test_an_offline_pack_installs_without_network(stand_ins, tmp_path, capsys):
    assert main(["pack", "offline", "-o", str(tmp_path / "pack.zip")]) == 0
    folder = tmp_path / "a folder with spaces" / "pack"
    shutil.unpack_archive(tmp_path / "pack.zip", folder.parent)
    out, error = capsys.readouterr()
    assert "about 183 MB" in error and re.search(r"\d+ wheels, [\d.]+ MB", error)  # before and after
    assert out.startswith("offline pack: ") and "sh install.sh" in out
    programs = installed(folder)
    code = (
        "import robotlab, numpy_stand_in, jupyterlab_stand_in; from importlib.metadata import requires; "
        "print(robotlab.__file__, len(requires('robotlab')))"
    )
    ran = subprocess.run([programs / "python", "-I", "-c", code], capture_output=True, text=True, cwd=folder)
    assert ran.returncode == 0, ran.stderr
    assert str(folder / ".venv") in ran.stdout
    ran = subprocess.run(
        [programs / "python", "-I", programs / "robotlab", "--version"], capture_output=True, text=True
    )
    assert ran.stdout.startswith("robotlab "), ran.stderr
    # The lessons are there, the sources of the library are in the wheel alone.
    assert (folder / "lessons" / "00_start_here.ipynb").is_file() and not (folder / "robotlab").exists()


@pytest.mark.slow
def test_the_core_installs_from_real_wheels_without_network(tmp_path):
    """The packages of a robot themselves, from the index that pip knows."""
    if not os.environ.get("ROBOTLAB_REAL_WHEELS"):
        pytest.skip("fetches 47 MB and installs them; ROBOTLAB_REAL_WHEELS=1 does it")
    no_route()
    wheels = tmp_path / "wheels"
    wheels.mkdir()
    try:
        fetch_wheels(wheels, requirements(ROOT, "robot")[:3], this_platform(), this_python())
    except InputError as error:
        pytest.skip(f"wheels cannot be had here: {error}")
    from robotlab.packs.library_wheel import library_wheel

    name, content = library_wheel(ROOT)
    (wheels / name).write_bytes(content)
    script = posix_script("robot", this_python()).replace(b"robotlab[robot]", b"robotlab")
    (tmp_path / "install.sh").write_bytes(script)
    programs = installed(tmp_path)
    words = [
        programs / "python",
        "-I",
        "-c",
        "from robotlab.neural import NeuralDetector; import onnxruntime; print('in')",
    ]
    ran = subprocess.run([*no_route(), *words], capture_output=True, text=True, cwd=tmp_path)
    assert ran.stdout == "in\n", ran.stderr


def test_what_another_system_needs_beside_is_fetched_too(tmp_path, monkeypatch):
    """pip asks for conditions on the machine it runs on; the pack asks for those of the machine it is for."""
    index = tmp_path / "index"
    index.mkdir()
    about = {"name": "trolley", "version": "1.0", "dependencies": ['winch>=2; sys_platform == "win32"', "post"]}
    for one in (
        about,
        {"name": "winch", "version": "2.1", "dependencies": ["rope[wet]"]},
        {"name": "post", "version": "1"},
        {"name": "rope", "version": "1", "optional-dependencies": {"wet": ["towel"]}},
        {"name": "towel", "version": "1"},
    ):
        name, content = wheel(one, {f"{one['name']}.py": b""})
        (index / name).write_bytes(content)
    monkeypatch.setenv("PIP_NO_INDEX", "1")
    monkeypatch.setenv("PIP_FIND_LINKS", str(index))
    found = {}
    for platform in ("linux-aarch64", "windows-x86_64"):
        folder = tmp_path / platform
        folder.mkdir()
        fetch_wheels(folder, ["trolley"], platform, "3.12")
        found[platform] = {path.name.partition("-")[0] for path in folder.iterdir()}
        assert missing(folder, ["trolley"], platform, "3.12") == []
    assert found["linux-aarch64"] == {"trolley", "post"}
    assert found["windows-x86_64"] == {"trolley", "post", "winch", "rope", "towel"}
    (tmp_path / "windows-x86_64" / "towel-1-py3-none-any.whl").unlink()
    assert missing(tmp_path / "windows-x86_64", ["trolley"], "windows-x86_64", "3.12") == ["towel"]


def test_a_wheel_that_cannot_be_had_is_one_line_and_leaves_nothing(stand_ins, tmp_path, monkeypatch, capsys):
    fewer = shutil.copytree(stand_ins, tmp_path / "fewer")
    next(fewer.glob("scipy-*")).unlink()
    monkeypatch.setenv("PIP_FIND_LINKS", str(fewer))
    before = set(tmp_path.iterdir())
    assert main(["pack", "offline", "-o", str(tmp_path / "p.zip")]) == 2
    error = capsys.readouterr().err.splitlines()[-1]
    assert "scipy" in error and "check the network" in error
    assert set(tmp_path.iterdir()) == before


def test_a_disk_too_small_is_said_before_the_work(stand_ins, tmp_path, monkeypatch):
    monkeypatch.setattr("shutil.disk_usage", lambda place: type("Usage", (), {"free": 5e6}))
    with pytest.raises(InputError, match="free disk"):
        pack_offline(tmp_path / "p")
    assert not (tmp_path / "p").exists()


# --- the scripts, against the rules of the shells that read them ------------------------------


def test_the_posix_script_keeps_the_rules_of_its_shell():
    script = posix_script("course", "3.12")
    assert script.isascii() and b"\r" not in script and script.endswith(b"\n") and script.startswith(b"#!/bin/sh\n")
    ran = subprocess.run(["sh", "-n"], input=script, capture_output=True)
    assert (ran.returncode, ran.stderr) == (0, b"")
    # Every variable and path is quoted, so that spaces in a folder's name do no harm.
    assert not re.search(rb'(?<!["{])\$(?![({0])', script) and b'"$0"' in script and b'"robotlab[course]"' in script


def faults_of_cmd(script):
    """What cmd.exe would trip over, by its rules (from memory of its manual: no Windows was at hand)."""
    faults = []
    if not script.isascii():
        faults.append("its code page decides what other signs mean")
    if script.replace(b"\r\n", b"").count(b"\n") or not script.endswith(b"\r\n"):
        faults.append("lines end in CR LF")
    for line in script.decode("ascii", "replace").split("\r\n"):
        if line.startswith("rem "):
            continue
        if line.count('"') % 2:
            faults.append(f"unpaired quotes: {line}")
        if "'" in line or "`" in line or "\\\n" in line:
            faults.append(f"quotes and continuation of other shells: {line}")
        if re.search(r"(?<![\s\"])/(?!b)", line):
            faults.append(f"forward slash in a path: {line}")
        bare = re.sub(r'"[^"]*"', "", line)
        if re.search(r"[\[\]<>^]", bare) or re.search(r"(?<!&)&(?!&)|(?<!\|)\|(?!\|)", bare):
            faults.append(f"special sign outside quotes: {line}")
        if "%" in re.sub(r'"%~dp0"', "", line):
            faults.append(f"percent sign: {line}")
        if line and not line.startswith(("@echo", "rem")) and "|| exit /b 1" not in line:
            faults.append(f"goes on after an error: {line}")
        if len(line) > 8191:
            faults.append("longest line of cmd.exe")
    return faults


def test_the_windows_script_keeps_the_rules_of_its_shell():
    script = windows_script("course", "3.12")
    assert faults_of_cmd(script) == []
    assert b"py -3.12 -m venv .venv" in script and b'"robotlab[course]"' in script


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        (lambda text: text.replace(b"\r\n", b"\n"), "CR LF"),
        (lambda text: text.replace(b'"robotlab[course]"', b"'robotlab[course]'"), "other shells"),
        (lambda text: text.replace(b'"robotlab[course]"', b"robotlab[course]"), "special sign"),
        (lambda text: text.replace(b"\\Scripts\\", b"/Scripts/"), "forward slash"),
        (lambda text: text.replace(b'"%~dp0"', b"%~dp0"), "percent"),
        (lambda text: text.replace(b'"%~dp0"', b'"%~dp0'), "unpaired"),
        (lambda text: text.replace(b" || exit /b 1", b""), "goes on"),
        (lambda text: text.replace(b"rem Installs", b"rem \xc3\xa9"), "code page"),
    ],
)
def test_the_check_of_the_windows_script_sees(change, fault):
    assert any(fault in one for one in faults_of_cmd(change(windows_script("course", "3.12"))))


@pytest.mark.parametrize("name", ["class_pack", "offline_pack"])
def test_windows_commands_of_a_packs_readme_keep_the_rules_of_powershell(name):
    """Version 5, which comes with Windows, knows no && and no ||; quotes are double, folders of .venv are Scripts."""
    from robotlab.packs.class_pack import page

    words = {"platform": "p", "python": "3.12", "wheels": 1, "size": "1"} if name == "offline_pack" else {}
    text = page(name, **words).decode().partition("**Windows")[2].partition("## ")[0]
    lines = re.search(r"```\n(.*?)```", text, flags=re.DOTALL)[1].splitlines()
    assert len(lines) >= 2
    for line in lines:
        assert re.match(r"py |\.venv\\Scripts\\|\.\\", line) and "/" not in line and "'" not in line
        assert not re.search(r"&&|\|\||\$|\[(?![^\"]*\")", line) and line.count('"') % 2 == 0


def test_platform_tags_are_known_to_the_standard():
    """Against packaging's parser and, for this machine, its list of what runs here."""
    from packaging.tags import platform_tags

    for platform in PLATFORMS.values():
        assert all(
            re.fullmatch(r"manylinux_2_\d+_\w+|manylinux2014_\w+|macosx_\d+_0_\w+|win_amd64", tag)
            for tag in platform.tags
        )
    if this_platform() in PLATFORMS and this_platform().startswith("linux"):
        assert set(PLATFORMS[this_platform()].tags) & set(platform_tags())
