"""Memory handed back: a large block of small pieces, freed, has to leave the process."""

from __future__ import annotations

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
