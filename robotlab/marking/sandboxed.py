"""The sandbox from inside: a warm process that forks for each notebook.

The warm process never reads a notebook.  It gets two open files for each job,
where the job is and where results go, hands them to a fork and closes its own;
so nothing of one learner is in the memory that the next fork inherits.
"""

from __future__ import annotations

import ast
import contextlib
import gc
import importlib
import json
import linecache
import os
import random
import select
import signal
import socket
import sys
import time
import types
from collections.abc import Callable
from hashlib import sha256
from typing import Any

import numpy as np

from robotlab.json_file import parse_json
from robotlab.marking import confinement
from robotlab.marking.slicing import Statement, needed, statements_of
from robotlab.marking.values import decode, encode, text_of
from robotlab.practice.running import Outcome, error_text, run_cases

# Loaded once; notebooks of the course begin with these.
WARM = (
    "IPython.display",
    "ipywidgets",
    "matplotlib.pyplot",
    "scipy",
    *(
        f"robotlab.{room}"
        for room in ["boxes", "camera", "color", "control", "greenhouse", "image", "loop", "metrics", "neural"]
    ),
)
# Exit codes of a fork: it could not be closed off; its job could not be read.
NOT_CLOSED, NO_JOB = 97, 98
_MOST_TEXT = 2000
# Sends a line to the outside.
_Send = Callable[[dict[str, Any]], object]


def serve(options: dict[str, Any]) -> None:
    """Fork for each job that comes over the control socket, until it closes.

    Parameters
    ----------
    options : dict
        ``control``, the socket's number; ``closed``, whether forks are closed off; limits.
    """
    control = socket.socket(fileno=options["control"])
    for name in WARM:
        with contextlib.suppress(ImportError):
            importlib.import_module(name)
    gc.collect()
    gc.freeze()
    used = confinement.address_space() if sys.platform == "linux" else 0
    myself = os.pidfd_open(os.getpid()) if options["closed"] else -1
    control.send(b"ready")
    while True:
        word, files, _, _ = socket.recv_fds(control, 16, 2)
        if not word:
            return
        if len(files) != 2:  # A late word to end a job that has ended.
            continue
        if options["closed"]:
            confinement.unshare(confinement.NEW_PIDS)
        process = os.fork()
        if process == 0:
            _in_fork(control, myself, files, options, used)
        for file in files:
            os.close(file)
        if options["closed"]:
            confinement.back_to(myself)
        control.send(_wait(process, control, options["wall_s"]))


def _wait(process: int, control: socket.socket, limit_s: float) -> bytes:
    """Wait for a fork; end it when time is up or the other side says so.  Its namespace ends with it."""
    end = time.monotonic() + limit_s
    while True:
        done, status = os.waitpid(process, os.WNOHANG)
        if done:
            return b"done" if status == 0 else b"died"
        told, _, _ = select.select([control], [], [], 0.003)
        if told or time.monotonic() > end:
            os.kill(process, signal.SIGKILL)
            if told:
                control.recv(16)
            os.waitpid(process, 0)
            return b"time"


def _in_fork(control: socket.socket, myself: int, files: list[int], options: dict[str, Any], used: int) -> None:
    code = NOT_CLOSED
    try:
        control.close()
        job, results = files
        if options["closed"]:
            os.close(myself)
            confinement.own_folder(options["folder_mb"])
        if sys.platform != "win32":
            os.setpgid(0, 0)
            null = os.open(os.devnull, os.O_RDWR)
            for standard in (0, 1, 2):
                os.dup2(null, standard)
            memory = used + options["memory_mb"] * 2**20 if used else 2**40
            confinement.set_limits(memory, int(options["wall_s"]) + 1, options["file_mb"] * 2**20)
        if options["closed"]:
            confinement.give_up_rights()
        code = NO_JOB
        with open(job, "rb") as file:
            task = parse_json(file.read(), "the job")
        with open(results, "wb", buffering=0) as out:
            _work(task, lambda line: out.write(json.dumps(line, separators=(",", ":")).encode() + b"\n"))
        code = 0
    except BaseException:  # Whatever the learner's code has left behind ends here.
        pass
    finally:
        os._exit(code)


class _Watched:
    """A learner's function, with what its inputs are when it has returned."""

    def __init__(self, function: Any) -> None:
        self.function = function
        self.__code__ = getattr(function, "__code__", None)
        self.given: tuple = ()

    def __call__(self, *given: Any) -> Any:
        self.given = given
        return self.function(*given)


def _work(job: dict[str, Any], send: _Send) -> None:
    """Run what the tasks need of a notebook, then call the tasks' functions; send each outcome at once."""
    names = [task["name"] for task in job["tasks"]]
    statements: list[Statement] = []
    for number, source in enumerate(job["cells"]):
        try:
            statements += statements_of(number, source)
        except (SyntaxError, ValueError, RecursionError, MemoryError) as error:
            line = getattr(error, "lineno", None)
            send({"cell": number, "error": error_text(error)[:_MOST_TEXT], "line": line if type(line) is int else 0})
    chosen = needed(statements, names)
    namespace = _run(job, chosen, send)
    for task in job["tasks"]:
        missing = _call(task, namespace, job["task_s"], send)
        left = [one for one in statements if one not in chosen]
        if missing and any(missing in one.binds for one in left):
            # Bound in a way that the choice has not seen: all of it then.
            chosen = statements
            namespace = _run(job, chosen, send)
            _call(task, namespace, job["task_s"], send)


def _run(job: dict[str, Any], chosen: list[Statement], send: _Send) -> dict[str, Any]:
    """A fresh namespace after these statements; one that fails does not stop the others, but in its cell it does."""
    random.seed(0)
    np.random.seed(0)  # noqa: NPY002 (what learners call)
    module = types.ModuleType("__main__")
    sys.modules["__main__"] = module
    namespace = vars(module)
    stopped: set[int] = set()
    for number, source in enumerate(job["cells"]):
        linecache.cache[f"cell {number + 1}"] = (len(source), None, source.splitlines(True), f"cell {number + 1}")
    for one in chosen:
        if one.cell in stopped:
            continue

        def step(one: Statement = one) -> None:
            code = compile(ast.Module([one.node], []), f"cell {one.cell + 1}", "exec")
            exec(code, namespace)

        (outcome,) = run_cases(step, [()], job["cell_s"])
        if outcome.kind != "value":
            stopped.add(one.cell)
            text = error_text(outcome.error) if outcome.error else outcome.kind
            send({"cell": one.cell, "error": text[:_MOST_TEXT], "line": one.node.lineno})
    return namespace


def _call(task: dict[str, Any], namespace: dict[str, Any], limit_s: float, send: _Send) -> str:
    """Call one function with each case; the name that it missed, if it missed one."""
    name, missing = task["name"], ""
    function = namespace.get(name)
    if function is None:
        send({"task": name, "missing": True})
        return name
    watched = _Watched(function)
    end = time.monotonic() + limit_s
    for number, case in enumerate(task["cases"]):
        watched.given = ()
        (outcome,) = run_cases(watched, [tuple(decode(value) for value in case)], max(0.05, end - time.monotonic()))
        send({"task": name, "case": number, **_sent(outcome, watched.given)})
        if isinstance(outcome.error, NameError):
            missing = outcome.error.name or ""
        if outcome.kind in ("hang", "flood"):
            break
    return missing


def _sent(outcome: Outcome, given: tuple) -> dict[str, Any]:
    sent: dict[str, Any] = {"kind": outcome.kind}
    if outcome.kind == "value":
        sent["value"] = encode(outcome.value)
        sent["inputs"] = [sha256(text_of(value).encode()).hexdigest() for value in given]
    if outcome.error is not None:
        sent["error"] = [type(outcome.error).__name__[:60], error_text(outcome.error)[:_MOST_TEXT]]
    for key in ("place", "printed", "warned"):
        if getattr(outcome, key):
            sent[key] = str(getattr(outcome, key))[:_MOST_TEXT]
    return sent


if __name__ == "__main__":
    serve(parse_json(sys.argv[1], "the options"))
