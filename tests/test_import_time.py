"""What an import loads: an allow-list, not a stop-watch."""

from __future__ import annotations

import subprocess
import sys

#: Loaded neither by ``import sigkit`` nor for the help: each takes longer than the rest together.
HEAVY = {"numpy", "scipy", "sklearn", "skops", "matplotlib", "pyarrow", "h5py", "pywt", "joblib", "fsspec", "jinja2"}


def modules_after(statement: str) -> set[str]:
    """Return the top-level modules a fresh interpreter has loaded after a statement, less what it starts with."""
    script = f"import sys\nbefore = set(sys.modules)\n{statement}\nprint(*sorted(set(sys.modules) - before))"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    return set(done.stdout.splitlines()[-1].split())


def test_importing_sigkit_loads_nothing_else():
    assert modules_after("import sigkit") <= {"sigkit", "__future__"}


def test_help_loads_no_heavy_package():
    loaded = modules_after(
        "from sigkit.cli.main import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit as stop:\n    assert stop.code == 0, stop.code\n"
    )
    assert "sigkit.cli.main" in loaded
    assert "typer" in loaded
    assert {name.split(".")[0] for name in loaded} & HEAVY == set()
