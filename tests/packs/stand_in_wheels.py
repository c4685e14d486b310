"""Tiny wheels under the names of packages, and a room without network."""

import shutil
import subprocess

from packaging.requirements import Requirement

from robotlab.packs.library_wheel import wheel


def write_stand_ins(folder, needed):
    """One wheel for each requirement, of the lowest version that it allows, with nothing in it."""
    folder.mkdir(exist_ok=True)
    for line in needed:
        one = Requirement(line)
        version = next(iter(one.specifier)).version
        module = one.name.replace("-", "_")
        name, content = wheel({"name": one.name, "version": version}, {f"{module}_stand_in.py": b"HERE = True\n"})
        (folder / name).write_bytes(content)
    return folder


def without_network():
    """Words that run a command where no route leads out, or None where the system does not allow it."""
    for words in (["unshare", "--map-root-user", "--net"], ["bwrap", "--dev-bind", "/", "/", "--unshare-net"]):
        if shutil.which(words[0]):
            ran = subprocess.run([*words, "cat", "/proc/net/route"], capture_output=True, text=True)
            # The table has its heading, and no row.
            if ran.returncode == 0 and len(ran.stdout.splitlines()) == 1:
                return words
    return None
