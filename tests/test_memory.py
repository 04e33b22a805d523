"""Memory handed back leaves the process; memory kept for the next step is there for it."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

# In a process of its own, which has nothing else to hand back. Pieces of 1 kB are served from the pool; the last
# one stays in use and keeps the C library from shrinking the pool by itself.
PROGRAM = """
import ctypes, os
from hueph._memory import hand_back

def resident():
    with open("/proc/self/statm") as stream:
        return int(stream.read().split()[1]) * os.sysconf("SC_PAGE_SIZE")

libc = ctypes.CDLL(None)
libc.malloc.restype, libc.malloc.argtypes = ctypes.c_void_p, (ctypes.c_size_t,)
libc.free.argtypes = (ctypes.c_void_p,)
pieces = [libc.malloc(1024) for _ in range(40_000)]
for piece in pieces:
    ctypes.memset(piece, 1, 1024)
for piece in pieces[:-1]:
    libc.free(piece)
before = resident()
assert hand_back()
print(before - resident())
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads the memory in use from /proc")
def test_freed_memory_leaves_the_process() -> None:
    from hueph._memory import hand_back

    if not hand_back():
        pytest.skip("this C library cannot be asked to")
    result = subprocess.run([sys.executable, "-c", PROGRAM], capture_output=True, text=True, check=True)
    assert int(result.stdout) > 30_000_000


# Four blocks of 5 MB, written to and given back: 5120 pages each time when the system has to be asked again.
STEPS = """
import resource
import numpy as np
from hueph._memory import keep_for_next_step

keep_for_next_step()
def faults():
    blocks = [np.ones(5 * 2**20, dtype=np.uint8) for _ in range(4)]
    del blocks
    return resource.getrusage(resource.RUSAGE_SELF).ru_minflt
first, last = [faults() for _ in range(3)][-1], [faults() for _ in range(10)][-1]
print(last - first)
"""


@pytest.mark.skipif(
    not sys.platform.startswith("linux"), reason="the C library elsewhere may keep memory or not"
)
def test_freed_memory_stays_for_the_next_step() -> None:
    from hueph._memory import hand_back

    if not hand_back():
        pytest.skip("not the C library this is about")
    environment = {name: value for name, value in os.environ.items() if not name.startswith("MALLOC_")}
    result = subprocess.run(
        [sys.executable, "-c", STEPS], capture_output=True, text=True, check=True, env=environment
    )
    assert int(result.stdout) < 1000
