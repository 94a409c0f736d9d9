"""The laws hold without compiling as well: what is compiled is plain Python."""

import os
import subprocess
import sys
from pathlib import Path


def test_laws_with_the_compiler_off():
    laws = Path(__file__).with_name("test_tree_laws.py")
    words = [sys.executable, "-m", "pytest", "-q", str(laws), "-k", "not cold", "-p", "no:cacheprovider"]
    done = subprocess.run(
        words,
        env=os.environ | {"NUMBA_DISABLE_JIT": "1"},
        cwd=laws.parents[2],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout
    assert " passed" in done.stdout
