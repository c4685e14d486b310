"""Replace every value of a valid file, one at a time, by each of some odd ones, and give the file to its door.

    python tests/hostile/each_value.py            # all kinds; --kind robot for one, --every 20 for every twentieth file

Mutations at random seldom put the one number that a door does not expect into the one place where it does harm.
Warnings are errors here.  Limits and kinds are those of ``fuzz.py``.  Needs a POSIX system.
"""

from __future__ import annotations

import argparse
import copy
import hashlib
import json
import shutil
import signal
import sys
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from fuzz import CASES, CASES_A_CHILD, in_children, late
from kinds import KINDS, folder_for

# Ends of what floats and whole numbers can be, numbers whose square or quotient has no end, angles just too large, and
# other types.
SMALL = [0, -0.0, 5e-324, 1e-300, 1e-6, 1.5, -1, 3.2, -3.2, 180]
LARGE = [1e6, 9e11, 1e12, -1e12, 2**53, 2**63, 1e100, 1e154, 1e300, -1e300, 10**30]
OTHERS = [True, None, "", "x", "\u202e", [], {}, [[]], [1e300], [0] * 4, [1e12] * 3]
ODD = [*SMALL, *LARGE, *OTHERS]
JSON_KINDS = ("labels", "results", "log", "color", "progress", "notebook", "robot")


def places(value: Any, path: tuple = ()) -> Iterator[tuple]:
    """Every place in a JSON value, as keys from the top."""
    for key in value if isinstance(value, dict) else range(len(value)) if isinstance(value, list) else ():
        yield (*path, key)
        yield from places(value[key], (*path, key))


def changed(value: Any, path: tuple, other: Any) -> Any:
    whole = inner = copy.deepcopy(value)
    for key in path[:-1]:
        inner = inner[key]
    inner[path[-1]] = other
    return whole


def variants(kind: str, every: int = 1) -> Iterator[tuple[str, bytes]]:
    """What was changed, and the file; of a log, in the first and the last record of each sort.  Every so-manieth one."""
    count = -1
    for content in KINDS[kind].valid():
        records = [json.loads(line) for line in content.splitlines()] if kind == "log" else [json.loads(content)]
        sorts: dict[Any, list[int]] = {}
        for n, record in enumerate(records):
            sorts.setdefault(record["kind"] if kind == "log" else None, []).append(n)
        for n in sorted({n for rows in sorts.values() for n in (rows[0], rows[-1])}):
            for path in places(records[n]):
                for other in ODD:
                    count += 1
                    if count % every:
                        continue
                    lines = [*records[:n], changed(records[n], path, other), *records[n + 1 :]]
                    yield f"{kind} {n} {path}: {other!r}", "".join(json.dumps(one) + "\n" for one in lines).encode()


def wrong_with(kind: str, every: int = 1, keep: bool = False) -> tuple[int, list[str]]:
    """How many files were tried, and what is wrong."""
    files, wrong, home = list(variants(kind, every)), [], folder_for(kind)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for first in range(0, len(files), CASES_A_CHILD):
            part = files[first : first + CASES_A_CHILD]
            for (what, content), said in zip(
                part, in_children(KINDS[kind], [one for _, one in part], home), strict=True
            ):
                if said is None:
                    continue
                wrong.append(f"{what}: {said}")
                if keep:
                    name = f"{kind}-{hashlib.sha256(content).hexdigest()[:12]}{Path(KINDS[kind].name).suffix}"
                    (CASES / name).write_bytes(content)
    shutil.rmtree(home.parent)
    return len(files), wrong


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kind", choices=JSON_KINDS, action="append", help="only this kind")
    parser.add_argument("--every", type=int, default=1, metavar="N", help="only every N-th file")
    parser.add_argument("--no-keep", action="store_true", help="do not keep the cases that fail")
    options = parser.parse_args()
    signal.signal(signal.SIGALRM, late)
    wrong = []
    for kind in options.kind or JSON_KINDS:
        count, found = wrong_with(kind, options.every, not options.no_keep)
        print(f"{kind}: {count} files, {len(found)} wrong", flush=True)
        wrong += found
    print("\n\n".join(wrong[:20]))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
