"""Run a plan: parts in any order, each kept on disk as soon as it is done.

A results folder holds ``plan.toml`` and ``versions.json``, ``parts.jsonl``
(one line a part with a checksum and the fingerprint of what decides the
results, appended and flushed to the disk) and, at the end, ``table.csv``.
Killed at any moment it goes on where it was, and the table is
the same, byte for byte: every part has its own seeds.
"""

from __future__ import annotations

import hashlib
import json
import os
import platform
import subprocess
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from robotlab._progress import progress_bar
from robotlab.environment import installed
from robotlab.errors import InputError
from robotlab.files import open_plain, open_to_append, read_plain, write_json, write_whole
from robotlab.json_file import parse_json, read_json
from robotlab.one_writer import LOCK_NAME, append_line, one_writer
from robotlab.parallel import parts_done
from robotlab.sweep.part_runner import RESULTS, parts_of, run_part
from robotlab.sweep.plan import LARGEST_MODEL_BYTES, LARGEST_PLAN_BYTES, Plan
from robotlab.sweep.table import SweepTable

PARTS, TABLE, PLAN, VERSIONS = "parts.jsonl", "table.csv", "plan.toml", "versions.json"
# A million runs; all of it is in memory at once.
LARGEST_PARTS_BYTES = 2**29
# How a part's line begins, so that no other file is taken for one that was cut off.
_BEGINS = b'{"part"'
_PACKAGES = ("numpy", "scipy", "onnxruntime", "pillow")


def run_sweep(
    plan: Plan, output: str | os.PathLike, jobs: int | None = None, cluster: str | None = None, progress: bool = True
) -> SweepTable:
    """Run a plan, or go on with one that was cut off.

    Parameters
    ----------
    plan : Plan
        What is run.
    output : path-like
        Folder of the results; if it holds some already they must be of this
        plan.
    jobs : int, optional
        Processes on this machine; by default one for each core.
    cluster : str, optional
        Address of a Dask scheduler: its workers run the parts, and the table
        is the same.
    progress : bool
        Show a progress bar with the time left.

    Returns
    -------
    SweepTable
        Every run of the plan, in its order; then the chosen ones with pictures.

    Raises
    ------
    InputError
        If the folder holds results of another plan, or another sweep writes there.

    Examples
    --------
    >>> import tempfile
    >>> from robotlab.sweep import parse_plan
    >>> plan = parse_plan('duration_s = 2\\n[vary]\\nturn_gain = [1.0, 2.0]')
    >>> len(run_sweep(plan, tempfile.mkdtemp(), jobs=1, progress=False))
    2
    """
    folder = Path(output)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except FileExistsError:
        raise InputError(f"results must go into a folder, {folder} is a file; choose another name") from None
    parts, rows = parts_of(plan), plan.rows()
    with ExitStack() as stack:
        stack.enter_context(one_writer(folder, "another sweep"))
        _claim(folder, plan)
        file = stack.enter_context(open_to_append(folder / PARTS, LARGEST_PARTS_BYTES, "parts of a sweep"))
        fingerprint = fingerprint_of(plan)
        done = _restored(file, parts, folder, fingerprint)
        _note_versions(folder / VERSIONS, len(done) < len(parts))
        if not (folder / PLAN).exists():
            write_whole(folder / PLAN, plan.text)
        left = [number for number in range(len(parts)) if number not in done]
        total, begun = sum(len(part["numbers"]) for part in parts), sum(len(found) for found in done.values())
        with progress_bar(total, plan.name, progress, initial=begun, unit="run") as bar:
            for place, found in parts_done(run_part, [parts[number] for number in left], jobs, cluster):
                done[left[place]] = found
                append_line(file, _line(left[place], found, fingerprint))
                bar.update(len(found))
        order = sorted(
            (row["rendered"] != plan.rendered, row["run"], number, k)
            for number, found in done.items()
            for k, row in enumerate(found)
        )
        table = SweepTable.of([{**rows[run], **done[number][k]} for _, run, number, k in order])
        table.save(folder / TABLE)
    return table


def fingerprint_of(plan: Plan) -> str:
    """Hash of what decides the results: the plan, and the content of each model file that it names.

    Parameters
    ----------
    plan : Plan
        What is run.

    Returns
    -------
    str
        16 hexadecimal digits.

    Raises
    ------
    InputError
        If a model file is no longer there.

    Examples
    --------
    >>> from robotlab.sweep import parse_plan
    >>> len(fingerprint_of(parse_plan("[vary]\\nturn_gain = [1.0, 2.0]")))
    16
    """
    total = hashlib.sha256(plan.text.encode())
    for name, known in sorted(plan.detectors.items()):
        if "file" in known:
            with open_plain(known["file"], LARGEST_MODEL_BYTES, "a model") as file:
                total.update(name.encode() + hashlib.sha256(file.read()).digest())
    return total.hexdigest()[:16]


def _line(number: int, found: list[dict[str, Any]], fingerprint: str) -> dict[str, Any]:
    """A part as it is kept."""
    content = json.dumps([fingerprint, number, found], separators=(",", ":"))
    check = hashlib.sha256(content.encode()).hexdigest()[:16]
    return {"part": number, "of": fingerprint, "check": check, "rows": found}


def _claim(folder: Path, plan: Plan) -> None:
    """The folder is this plan's, or empty."""
    known = folder / PLAN
    # Parts come first, so a plan without any is a file of somebody else.
    if known.exists() and (folder / PARTS).exists():
        if read_plain(known, LARGEST_PLAN_BYTES, "a plan") != plan.text.encode():
            raise InputError(f"{folder} must hold results of this plan, its {PLAN} differs; choose another folder")
        for left in folder.glob(f".{TABLE}.*"):  # half-written when the sweep was killed
            left.unlink(missing_ok=True)
        return
    # Files that a kill left half-written are ours too.
    ours = (f".{PLAN}.", f".{VERSIONS}.")
    others = [
        e.name for e in folder.iterdir() if e.name not in (PARTS, VERSIONS, LOCK_NAME) and not e.name.startswith(ours)
    ]
    if others:
        raise InputError(
            f"results must go into an empty folder or their own, {folder} holds {others[0]}; choose another name"
        )


def _note_versions(path: Path, more: bool) -> None:
    """Note what the results rest on; parts that are run later with other versions are noted as such."""
    now = versions()
    if not path.exists():
        write_json(path, now)
        return
    noted = read_json(path, "versions of a sweep")
    if not isinstance(noted, dict) or not isinstance(noted.get("went_on_with", []), list):
        raise InputError(f"{path} must hold the versions of a sweep, it does not; remove it")
    first = {name: value for name, value in noted.items() if name != "went_on_with"}
    later = noted.get("went_on_with", [])
    if more and now not in (first, *later):
        write_json(path, {**first, "went_on_with": [*later, now]})


def versions() -> dict[str, Any]:
    """What the results rest on: versions, the commit, the processor.

    Returns
    -------
    dict
        Of text; ``commit`` is None outside a clone.

    Examples
    --------
    >>> sorted(versions())[:2]
    ['commit', 'machine']
    """
    return {
        "robotlab": installed("robotlab"),
        "commit": commit(),
        "python": platform.python_version(),
        "system": platform.system(),
        "machine": platform.machine(),
        "processor": processor(),
        "packages": {name: installed(name) for name in _PACKAGES},
    }


def commit() -> str | None:
    """Commit of the clone that this code runs from, ``+`` where it was changed since; None without one.

    Returns
    -------
    str or None
        Its hash.
    """
    where = Path(__file__).parent
    try:
        told = [
            subprocess.run(
                ["git", "--no-optional-locks", *words],
                cwd=where,
                capture_output=True,
                text=True,
                timeout=20,
                check=True,
            ).stdout
            for words in (("rev-parse", "HEAD"), ("status", "--porcelain", "--untracked-files=no"))
        ]
    except (OSError, subprocess.SubprocessError):
        return None
    return told[0].strip() + ("+" if told[1].strip() else "")


def processor() -> str:
    """What the operating system calls the processor.

    Returns
    -------
    str
        Its model, or an empty string.
    """
    try:
        for line in Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines():
            if line.startswith("model name"):
                return line.partition(":")[2].strip()
    except OSError:
        pass
    return platform.processor()


def _restored(
    file: Any, parts: Sequence[Mapping[str, Any]], folder: Path, fingerprint: str
) -> dict[int, list[dict[str, Any]]]:
    """Parts that are done; a last line cut off by a kill is dropped."""
    file.seek(0)
    content = file.read()
    whole = content.rfind(b"\n") + 1
    rest = content[whole:]
    # Some file systems fill what was cut off by a power failure with zeros.
    begun = rest.rstrip(b"\0")
    if not (begun.startswith(_BEGINS) or _BEGINS.startswith(begun)):
        raise InputError(f"{folder / PARTS} must hold parts of a sweep, its last line is none; move the file away")
    if rest:
        file.truncate(whole)
    done: dict[int, list[dict[str, Any]]] = {}
    for count, line in enumerate(content[:whole].splitlines(), 1):
        try:
            entry = parse_json(line, f"{folder / PARTS}, line {count}")
            number, found = entry["part"], entry["rows"]
            other = entry["of"] != fingerprint
            part = parts[number] if type(number) is int and number >= 0 else None
            fits = (
                part is not None
                and (other or entry["check"] == _line(number, found, fingerprint)["check"])
                and [row["run"] for row in found] == part["numbers"]
                and all(
                    row.keys() == {"run", "rendered", *RESULTS}
                    and row["rendered"] is part["rendered"]
                    and all(type(row[name]) in (int, float) for name in RESULTS)
                    for row in found
                )
            )
        except (InputError, KeyError, TypeError, IndexError, AttributeError):
            fits = False
        if not fits:
            raise InputError(
                f"{folder / PARTS} must hold parts of this plan, line {count} is another's or damaged; remove that line to run it again"
            )
        if other:
            raise InputError(
                f"{folder / PARTS} must hold results of this plan and these model files, line {count} is of others; "
                "choose another folder"
            )
        done[number] = found
    return done
