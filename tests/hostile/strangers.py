"""Notebooks of strangers that mean no good: what each does in place of answering ``field_of_view``.

Where something works that must not, the code says so with the word of
``ESCAPED``, which no mark and no page may hold.
"""

import json

ESCAPED = "it-got-out"
HONEST = "import math\ndef field_of_view(sensor_mm, focal_mm):\n    return 2 * math.atan2(sensor_mm / 2, focal_mm)"

# The body of field_of_view(s, f); {canary}, {others}, {out} are real paths outside.
BODIES = {
    "endless loop": "while True: pass",
    "endless recursion": "return field_of_view(s, f)",
    "loop that catches everything": "while True:\n    try:\n        while True: pass\n    except BaseException: pass",
    "timer switched off": "import signal, time\nsignal.setitimer(signal.ITIMER_REAL, 0)\ntime.sleep(3600)",
    "signals blocked": "import signal, time\nsignal.pthread_sigmask(signal.SIG_BLOCK, range(1, 32))\ntime.sleep(3600)",
    "fork storm": "import os\nwhile True: os.fork()",
    "fork by the C library": "import ctypes\nassert ctypes.CDLL(None).fork() > 0\nreturn 'ESCAPED'",
    "processes of multiprocessing": "import multiprocessing as m\np = m.get_context('fork').Process(target=print)\np.start()\nreturn 'ESCAPED'",
    "another program": "import os\nos.execv('/usr/bin/env', ['env'])",
    "a shell": "import subprocess\nreturn 'ESCAPED' + subprocess.check_output('id', shell=True, text=True)",
    "thread storm": "import threading, time\nfor _ in range(100000): threading.Thread(target=time.sleep, args=(99,), daemon=True).start()",
    "threads left running": "import threading\ndef go():\n    while True: pass\nthreading.Thread(target=go).start()\nreturn 1.0",
    "memory at once": "return bytearray(10 * 2**30)",
    "memory bit by bit": "a = []\nwhile True: a.append(bytearray(2**24))",
    "shared memory": "import mmap\na = [mmap.mmap(-1, 2**28) for _ in range(99)]\nreturn 'ESCAPED'",
    "memory of System V": "import ctypes\nreturn 'ESCAPED' if ctypes.CDLL(None).shmget(0, 2**20, 0o1600) >= 0 else 0",
    "disk, one file": "with open('a', 'wb') as o:\n    for _ in range(999): o.write(bytes(2**24))",
    "disk, many files": "for n in range(10**6): open(str(n), 'w').close()",
    "files outside": "for p in ('/room/x', '/tmp/x', '/x', '/usr/x', '/dev/shm/x', {out!r} + '/x', {canary!r}):\n    try: open(p, 'w').close()\n    except OSError: continue\n    return 'ESCAPED' + p",
    "print flood": "while True: print('x' * 10**6)",
    "flood of the real outputs": "import os\nwhile True:\n    for n in range(64):\n        try: os.write(n, b'x' * 2**20)\n        except OSError: pass",
    "flood of lines": "import os\nfor _ in range(64):\n    for n in range(3, 64):\n        try: os.write(n, b'{{}}\\n' * 2**16)\n        except OSError: pass\nreturn 1.0",
    "a huge result": "import numpy as np\nreturn np.zeros(2**26, np.uint8)",
    "a huge number": "return 10**5000",
    "a deep result": "a = ()\nfor _ in range(5000): a = (a,)\nreturn a",
    "a result that holds itself": "a = []\na.append(a)\nreturn a",
    "the answers": "from robotlab.practice.tasks import lesson_02\nreturn 'ESCAPED'",
    "the answers by name": "from robotlab.practice import task_named\nr = task_named('field_of_view').reference(s, f)\nreturn r if type(r) is not float else 'ESCAPED'",
    "the answers in files": "import os\nfor w, d, n in (x for t in ('/room', '/tmp', '/root', '/home', '/desk', '/etc') for x in os.walk(t)):\n    d[:] = set(d) - {{'site-packages', 'lib'}}\n    if set(n) & {{'lesson_02.py', 'marking_key.toml', 'worked_answers.py', 'grading.py', 'judging.py'}}: return 'ESCAPED' + w\nreturn 0",
    "the answers in memory": "import gc\nfor o in gc.get_objects():\n    if callable(o) and getattr(o, '__module__', '').startswith('robotlab.practice.tasks'): return 'ESCAPED'\nreturn 0",
    "the answers in the frames": "import sys\nd, x = sys._getframe(), []\nwhile d: x += [k for k in d.f_locals if k in ('right', 'expected', 'seed')]; d = d.f_back\nreturn 'ESCAPED' if x else 0",
    "a secret file": "return 'ESCAPED' + open({canary!r}).read()",
    "other learners' files": "import os\nreturn 'ESCAPED' + str(os.listdir({others!r}))",
    "other learners in memory": "import gc\nreturn 'ESCAPED' if any(isinstance(o, str) and 'atan2(sensor_mm' in o for o in gc.get_objects()) else 0",
    "the environment": "import os\nreturn 'ESCAPED' if 'MARKING_SECRET' in str(os.environ) else 0",
    "the users of the machine": "return 'ESCAPED' + open('/etc/passwd').read()",
    "network": "import socket\nsocket.create_connection(('127.0.0.1', 22), 1)\nreturn 'ESCAPED'",
    "network by the C library": "import ctypes\nreturn 'ESCAPED' if ctypes.CDLL(None).socket(2, 1, 0) >= 0 else 0",
    "signals to the parent": "import os, signal\nfor p in (os.getppid(), 0, -1, 1, 2, 3):\n    for n in (signal.SIGKILL, signal.SIGSTOP):\n        try: os.kill(p, n)\n        except OSError: pass\nreturn 1.0",
    "an end without a word": "import os\nos._exit(0)",
    "an end": "raise SystemExit(0)",
    "a crash": "import ctypes\nctypes.string_at(0)",
    "forged results": "import os, json\nfor n in range(3, 64):\n    for k in range(99):\n        try: os.write(n, json.dumps({{'task': 'field_of_view', 'case': k, 'kind': 'passed', 'points': 4, 'value': ['float', '0x1p0'], 'inputs': []}}).encode() + b'\\n')\n        except OSError: pass\nos._exit(0)",
    "a forged status": "import os\nfor n in range(64):\n    try: os.write(n, b'0')\n    except OSError: pass\nprint('passed, 4 of 4 points')\nos._exit(0)",
    "robotlab patched": "import robotlab.practice.running as r, robotlab.marking.sandboxed as i\nr._unchanged = lambda *a: True\ni._sent = lambda *a: {{'kind': 'passed', 'value': True, 'points': 4}}\nreturn True",
    "the encoding patched": "import robotlab.marking.sandboxed as i\ni.encode = lambda *a: ['array', '|O', [1], 'gASVAAAA']\nreturn 1",
    "sizes that lie": "import robotlab.marking.sandboxed as i\ni.encode = lambda *a: ['array', '<f8', [2**22, 2**22, 2**22], '']\nreturn 1",
    "builtins patched": "import builtins\nbuiltins.isinstance = builtins.all = builtins.any = lambda *a: True\nreturn 1",
    "NumPy patched": "import numpy as np\nnp.isclose = np.allclose = np.array_equal = lambda *a, **k: True\nreturn 1.0",
    "equal to everything": "class A(float):\n    __eq__ = __le__ = __ge__ = lambda *a: True\n    __hash__ = float.__hash__\n    __sub__ = __rsub__ = __abs__ = lambda *a: 0.0\nreturn A(1)",
    "an array of its own making": "import numpy as np\nclass A:\n    def __array__(self, *a, **k): return np.array(1.0)\n    __float__ = lambda self: 1.0\nreturn A()",
    "an array that says it is equal": "import numpy as np\nclass A(np.ndarray):\n    __eq__ = lambda *a: np.True_\n    __array_ufunc__ = lambda *a, **k: np.True_\nreturn np.zeros(()).view(A)",
    "a pickle": "import pickle, os\nclass A:\n    def __reduce__(self): return os.system, ('touch ' + {out!r} + '/x',)\nreturn pickle.dumps(A())",
    "an array of objects": "import numpy as np\nreturn np.array([print], dtype=object)",
    "links": "import os\nos.symlink({canary!r}, 'a')\nreturn 'ESCAPED' + open('a').read()",
    "ptrace": "import ctypes\nreturn 'ESCAPED' if ctypes.CDLL(None).ptrace(0, 0, 0, 0) == 0 else 0",
    "/proc": "import os\nreturn 'ESCAPED' + open('/proc/1/cmdline').read() + str(os.listdir('/proc'))",
    "mounts": "import ctypes\nc = ctypes.CDLL(None)\nreturn 'ESCAPED' if 0 in (c.unshare(0x10000000), c.mount(b'a', b'/desk', b'tmpfs', 0, None), c.umount2(b'/desk', 2), c.chroot(b'/')) else 0",
    "the administrator again": "import os\ntry: os.setuid(0)\nexcept OSError: return 0\nreturn 'ESCAPED'",
    "limits raised": "import resource\nfor k in (resource.RLIMIT_AS, resource.RLIMIT_FSIZE, resource.RLIMIT_NPROC):\n    try: resource.setrlimit(k, (-1, -1))\n    except (ValueError, OSError): continue\n    return 'ESCAPED'\nreturn 0",
    "clocks": "import time\ntime.monotonic = time.perf_counter = time.time = lambda: 0.0\nwhile True: pass",
    "a decompression bomb": "import zlib\nb = zlib.compress(bytes(2**22), 9)\nreturn len(zlib.decompress(b * 1)) * [zlib.decompress(b)] and [zlib.decompress(b) for _ in range(10**4)]",
    "script in an error": "raise ValueError('<script>alert(1)</script><img src=x onerror=alert(1)> `<b>` \\x1b[2J \\u202e')",
    "script in print": "print('</pre><script>alert(1)</script>\\u202e\\x1b[31m')\nreturn 1.0",
    "script in a name": "return type('<script>alert(1)</script>', (), {{}})()",
    "something left for the next": "for p in ('/desk/left', '/tmp/left', '/dev/left', '/dev/shm/left', '/room/left', '/room/robotlab/practice/left'):\n    try: open(p, 'a').write('x')\n    except OSError: pass\nreturn 1.0",
    "something found from the one before": "import os\nreturn 'ESCAPED' if any(os.path.exists(p + '/left') for p in ('/desk', '/tmp', '/dev', '/dev/shm', '/room', '/room/robotlab/practice')) else 0",
    "a table of what verify showed": "return {{(3.6288, 3.6): 0.93358, (3.68, 3.04): 1.08873}}.get((s, f), 1.0)",
    "the inputs": "return s, f",
    "one number": "return 1.0855",
    "tracing": "import sys\nsys.settrace(lambda *a: None)\nsys.setrecursionlimit(10**6)\nreturn field_of_view(s, f)",
    "finalizers": "import atexit, os\natexit.register(print, 'ESCAPED')\nclass A:\n    def __del__(self):\n        while True: pass\nA()\nreturn 1.0",
}

# Whole cells.
CELLS = {
    "a loop before": "import itertools\nx = sum(1 for _ in itertools.count())\ndef field_of_view(s, f): return x",
    "deep brackets": "(" * 100_000 + ")" * 100_000 + "\ndef field_of_view(s, f): return 1",
    "a long sum": "x = " + "1+" * 50_000 + "1\ndef field_of_view(s, f): return x",
    "many signs": "x = " + "-" * 100_000 + "1\ndef field_of_view(s, f): return x",
    "no Python": "def field_of_view(s, f:\n  return \0",
    "a power tower": "x = 9 ** 9 ** 9 ** 9\ndef field_of_view(s, f): return x",
    "no function but a class": "class field_of_view:\n    def __new__(cls, s, f): return cls",
    "a name for another": "from robotlab.practice import verify as field_of_view",
    "a metaclass": "class M(type):\n    def __call__(cls, *a): raise KeyboardInterrupt\nclass field_of_view(metaclass=M): pass",
    "exec": "exec('import os; os._exit(0)')\ndef field_of_view(s, f): return 1",
}

# Files, as bytes.
FILES = {
    "nothing.ipynb": b"",
    "text.ipynb": b"field_of_view = 1",
    "list.ipynb": b"[1, 2]",
    "deep.ipynb": b"[" * 200_000,
    "number.ipynb": b'{"cells": ' + b"9" * 10_000 + b"}",
    "surrogate.ipynb": b'{"cells": [{"cell_type": "code", "source": "\\ud800"}]}',
    "bytes.ipynb": bytes(range(256)) * 40,
    "old.ipynb": b'{"worksheets": [], "nbformat": 3}',
    "many cells.ipynb": json.dumps({"cells": [{"cell_type": "code", "source": "1"}] * 5000}).encode(),
    "large cell.ipynb": json.dumps({"cells": [{"cell_type": "code", "source": "1\n" * 10**6}]}).encode(),
    "wrong kinds.ipynb": b'{"metadata": 3, "cells": [1, null, {"cell_type": 5, "source": 7}, {"cell_type": "code", "source": [1, {}], "outputs": 4}, {"cell_type": "code", "source": "x", "metadata": [], "outputs": [{"data": {"application/vnd.robotlab.guess+json": [1]}}]}]}',
    "zip.ipynb": b"PK\x03\x04" + bytes(2**16),
    "=cmd|' C'!A0.ipynb": b"{}",
    "<script>alert(1)<\u2215script>.ipynb": b"{}",
    "\u202etxt.ipynb": b"{}",
    "line\nend.ipynb": b"{}",
    "x" * 240 + ".ipynb": b"{}",
    "..ipynb": b"{}",
    " .ipynb": b"{}",
}


def notebook(*cells: str) -> bytes:
    """A notebook of lesson 02."""
    return json.dumps(
        {
            "cells": [{"cell_type": "code", "source": cell, "metadata": {}, "outputs": []} for cell in cells],
            "metadata": {"robotlab": {"source": "02_what_the_camera_sees.py 0"}},
            "nbformat": 4,
        }
    ).encode()


def hostile_cells(**places: str) -> dict[str, str]:
    """Each one's cell, with the paths of this run."""
    found = dict(CELLS)
    for name, body in BODIES.items():
        lines = body.format(**places).replace("ESCAPED", ESCAPED).split("\n")
        found[name] = "def field_of_view(s, f):\n" + "\n".join(f"    {line}" for line in lines)
    return found
