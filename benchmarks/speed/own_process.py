"""A measurement in a process of its own, with one thread, so that neither memory nor caches of another are in it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from typing import Any

#: What a table of such measurements says of where they were made.
MACHINE = "Two cores of a machine that other work shared."
_ONE_THREAD = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}


def run_alone(script: str, *arguments: object) -> Any:
    """Run a script again with other arguments; return what it printed as JSON."""
    asked = [sys.executable, script, *map(str, arguments)]
    done = subprocess.run(asked, check=True, capture_output=True, text=True, env=_ONE_THREAD)
    return json.loads(done.stdout)
