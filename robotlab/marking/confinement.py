"""Confine the process that runs a learner's code: namespaces, limits, system-call filter (Linux).

Of its own: a mount namespace with an empty, small /desk, and an IPC namespace
(its process namespace it got when it was forked).  Then limits, the user, all
capabilities, and every system call that starts a program or a process, reaches
another one, opens a socket, mounts, or makes memory that no limit counts.
"""

from __future__ import annotations

import ctypes
import mmap
import os
import platform
import resource
import struct

# Linux, include/uapi/linux/sched.h, mount.h, prctl.h, seccomp.h, audit.h; from memory.
NEW_MOUNTS, NEW_IPC, NEW_PIDS = 0x00020000, 0x08000000, 0x20000000
_PRIVATE, _NO_SETUID, _NO_DEVICES = 0x4000 | 0x40000, 2, 4
_SET_SECCOMP, _SET_NO_NEW_PRIVILEGES, _DROP_BOUND, _BY_FILTER = 22, 38, 24, 2
_ALLOW, _KILL, _ERROR = 0x7FFF0000, 0x80000000, 0x00050000
_NOT_PERMITTED, _NO_SUCH_CALL = 1, 38
_THREAD = 0x10000
# User and group without rights, common practice of Linux systems.
_NOBODY = 65534

# Numbers of system calls on x86-64 and ARM64, arch/x86/entry/syscalls/syscall_64.tbl and include/uapi/asm-generic/unistd.h;
# those of x86-64 are checked against the system's header by a test.
_CALLS = {
    "execve": (59, 221),
    "execveat": (322, 281),
    "ptrace": (101, 117),
    "socket": (41, 198),
    "shmget": (29, 194),
    "semget": (64, 190),
    "msgget": (68, 186),
    "personality": (135, 92),
    "pivot_root": (155, 41),
    "mount": (165, 40),
    "umount2": (166, 39),
    "init_module": (175, 105),
    "kexec_load": (246, 104),
    "add_key": (248, 217),
    "request_key": (249, 218),
    "keyctl": (250, 219),
    "unshare": (272, 97),
    "perf_event_open": (298, 241),
    "open_by_handle_at": (304, 265),
    "setns": (308, 268),
    "process_vm_readv": (310, 270),
    "process_vm_writev": (311, 271),
    "finit_module": (313, 273),
    "memfd_create": (319, 279),
    "bpf": (321, 280),
    "userfaultfd": (323, 282),
    "mq_open": (240, 180),
    "chroot": (161, 51),
}
DENIED = {
    # ARM64 has neither of the first two.
    "x86_64": {"fork": 57, "vfork": 58, **{name: there for name, (there, _) in _CALLS.items()}},
    "aarch64": {name: there for name, (_, there) in _CALLS.items()},
}
# The same on both.
_BOTH = {
    "io_uring_setup": 425,
    "open_tree": 428,
    "move_mount": 429,
    "fsopen": 430,
    "fsconfig": 431,
    "fsmount": 432,
    "fspick": 433,
    "pidfd_open": 434,
    "pidfd_getfd": 438,
    "mount_setattr": 442,
    "memfd_secret": 447,
}
_CLONE = {"x86_64": 56, "aarch64": 220}
_CLONE3 = 435
_ARCHITECTURE = {"x86_64": 0xC000003E, "aarch64": 0xC00000B7}

_libc = ctypes.CDLL(None, use_errno=True)


def _done(result: int, what: str) -> None:
    if result:
        raise OSError(ctypes.get_errno(), what)


def unshare(kinds: int) -> None:
    """Take new namespaces.

    Parameters
    ----------
    kinds : int
        Flags.
    """
    _done(_libc.unshare(kinds), "unshare")


def back_to(process: int) -> None:
    """Fork into the process namespace of a process again.

    Parameters
    ----------
    process : int
        Its pidfd.
    """
    _done(_libc.setns(process, NEW_PIDS), "setns")


def own_folder(megabytes: int) -> None:
    """An empty /desk that nobody else sees, and that ends with the process.

    Parameters
    ----------
    megabytes : int
        Its size.
    """
    unshare(NEW_MOUNTS | NEW_IPC)
    _done(_libc.mount(b"none", b"/", None, _PRIVATE, None), "mount")
    options = f"size={megabytes}m,mode=1777,nr_inodes=1000".encode()
    _done(_libc.mount(b"tmpfs", b"/desk", b"tmpfs", _NO_SETUID | _NO_DEVICES, options), "mount")
    os.chdir("/desk")


def address_space() -> int:
    """Bytes of address space in use, found with the limit itself: /proc is not there."""
    low, high = 0, 2**40
    old = resource.getrlimit(resource.RLIMIT_AS)
    while high - low > 2**20:
        middle = (low + high) // 2
        resource.setrlimit(resource.RLIMIT_AS, (middle, old[1]))
        try:
            mmap.mmap(-1, 4096).close()
            high = middle
        except OSError:
            low = middle
    resource.setrlimit(resource.RLIMIT_AS, old)
    return high


def set_limits(memory_bytes: int, cpu_s: int, file_bytes: int) -> None:
    """Limits of the operating system on this process.

    Parameters
    ----------
    memory_bytes : int
        Address space.
    cpu_s : int
        Processor time.
    file_bytes : int
        Of one file.
    """
    wanted = {"AS": memory_bytes, "CPU": cpu_s, "FSIZE": file_bytes, "NOFILE": 64, "NPROC": 64}
    wanted |= dict.fromkeys(("CORE", "MSGQUEUE", "MEMLOCK"), 0)
    for name, value in wanted.items():
        kind = getattr(resource, f"RLIMIT_{name}", None)
        if kind is not None:
            hard = resource.getrlimit(kind)[1]
            value = value if hard == resource.RLIM_INFINITY else min(value, hard)
            resource.setrlimit(kind, (value, value))


def give_up_rights() -> None:
    """Give up the user, if it is the administrator, all capabilities, and most system calls.

    Raises
    ------
    OSError
        If any of it fails.
    """
    _done(_libc.prctl(_SET_NO_NEW_PRIVILEGES, 1, 0, 0, 0), "no new privileges")
    for capability in range(64):
        if _libc.prctl(_DROP_BOUND, capability, 0, 0, 0):
            break
    if os.getuid() == 0:
        os.setgroups([])
        os.setresgid(_NOBODY, _NOBODY, _NOBODY)
        os.setresuid(_NOBODY, _NOBODY, _NOBODY)
    # capset(2): header of version 3 and two triples of 32 bits, all zero.
    _done(_libc.capset(struct.pack("Ii", 0x20080522, 0), bytes(24)), "capset")
    if os.getuid() == 0:
        raise OSError("the administrator's rights are still there")
    filter_calls()


def filter_calls() -> None:
    """Refuse system calls by a filter in the kernel (seccomp, mode 2); it cannot be taken off again."""
    machine = platform.machine()
    code = _program(machine)
    buffer = ctypes.create_string_buffer(code, len(code))

    class Program(ctypes.Structure):
        _fields_ = (("length", ctypes.c_ushort), ("code", ctypes.c_void_p))

    program = Program(len(code) // 8, ctypes.cast(buffer, ctypes.c_void_p).value)
    _done(_libc.prctl(_SET_SECCOMP, _BY_FILTER, ctypes.byref(program), 0, 0), "seccomp")


def _program(machine: str) -> bytes:
    """Instructions of classic BPF: code, jump if true, jump if false, number."""
    load, equal, at_least, any_bit, give = 0x20, 0x15, 0x35, 0x45, 0x06
    if machine not in _ARCHITECTURE:
        raise OSError(f"no table of system calls for {machine}")
    refuse = _ERROR | _NOT_PERMITTED
    # Offsets in struct seccomp_data: number 0, architecture 4, lower half of the first argument 16.
    steps = [
        (load, 0, 0, 4),
        (equal, 1, 0, _ARCHITECTURE[machine]),
        (give, 0, 0, _KILL),
        (load, 0, 0, 0),
        (at_least, 0, 1, 0x40000000),
        (give, 0, 0, refuse),
        (equal, 0, 1, _CLONE3),
        (give, 0, 0, _ERROR | _NO_SUCH_CALL),
    ]
    for number in (*DENIED[machine].values(), *_BOTH.values()):
        steps += [(equal, 0, 1, number), (give, 0, 0, refuse)]
    # A thread may be made, a process not.
    steps += [
        (equal, 1, 0, _CLONE[machine]),
        (give, 0, 0, _ALLOW),
        (load, 0, 0, 16),
        (any_bit, 1, 0, _THREAD),
        (give, 0, 0, refuse),
        (give, 0, 0, _ALLOW),
    ]
    return b"".join(struct.pack("HBBI", *step) for step in steps)
