"""Many threads read dives from their first moment on, as those of a web process do after its start."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from service.store.codec import dump_dive
from tests.store.examples import filed, folded, started

ROOT = Path(__file__).resolve().parents[2]
# In a process of its own: what it guards against ends the whole process.
READ_AT_ONCE = """
import sys, threading
from service.store.codec import load_dive
text, start = sys.stdin.read(), threading.Barrier(8)
sys.setswitchinterval(1e-6)
def read():
    start.wait()
    for _ in range(20):
        load_dive(text)
threads = [threading.Thread(target=read) for _ in range(8)]
for thread in threads: thread.start()
for thread in threads: thread.join()
print("read")
"""


def test_the_first_dives_can_be_read_by_many_threads_at_once() -> None:
    """A type that one thread is still learning to read crashed whoever used it meanwhile."""
    text = dump_dive(folded(filed(), started()))
    command = [sys.executable, "-c", READ_AT_ONCE]

    done = subprocess.run(command, input=text, capture_output=True, text=True, cwd=ROOT, timeout=60, check=False)

    assert (done.returncode, done.stdout) == (0, "read\n"), done.stderr[-2000:]
