"""Run the open circuit simulator ngspice on a netlist and read its result."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sigkit.errors import SimulationError


def run_ngspice(netlist: str, *, timeout_s: float = 120.0) -> dict[str, NDArray[np.float64]]:
    """Run a netlist and return its vectors by name (lower case), ``time`` among them.

    Parameters
    ----------
    netlist : str
        Complete netlist with its analysis.
    timeout_s : float
        Longest run, seconds.

    Returns
    -------
    dict of str to ndarray, shape (m,)

    Raises
    ------
    SimulationError
        When the program is absent, fails, takes too long, or leaves no result; its last words are quoted.
    """
    program = shutil.which("ngspice")
    if program is None:
        raise SimulationError(
            "the program ngspice is not on the search path; only comparisons with it need it. Install it from "
            "your system's packages, or leave these comparisons out."
        )
    with tempfile.TemporaryDirectory() as folder:
        source, result = Path(folder) / "event.cir", Path(folder) / "event.raw"
        source.write_text(netlist, encoding="ascii")
        try:
            done = subprocess.run(
                [program, "-b", "-n", "-r", str(result), str(source)],
                cwd=folder, capture_output=True, text=True, timeout=timeout_s, check=False,
            )
        except subprocess.TimeoutExpired as error:
            raise SimulationError(
                f"ngspice did not finish within {timeout_s:g} s. Give it more time or a larger step."
            ) from error
        words = "\n".join((done.stdout + done.stderr).strip().splitlines()[-8:])
        if done.returncode != 0 or not result.exists():
            raise SimulationError(f"ngspice failed (code {done.returncode}); correct the netlist. It said:\n{words}")
        if "simulation(s) aborted" in words or "Timestep too small" in words:
            raise SimulationError(f"ngspice gave up; correct the netlist or its options. It said:\n{words}")
        return read_raw(result.read_bytes(), str(result))


def read_raw(content: bytes, source: str = "raw file") -> dict[str, NDArray[np.float64]]:
    """Read a binary result file with real values (own reader: no wheel carries one without GPL).

    Parameters
    ----------
    content : bytes
        The file.
    source : str
        Its name, for errors.

    Returns
    -------
    dict of str to ndarray, shape (m,)

    Raises
    ------
    SimulationError
        When it is not a binary file with real values, or is cut.

    Examples
    --------
    >>> head = b"Flags: real\\nNo. Variables: 2\\nNo. Points: 1\\nVariables:\\n"
    >>> head += b"\\t0\\ttime\\ttime\\n\\t1\\tv(a)\\tvoltage\\n"
    >>> raw = read_raw(head + b"Binary:\\n" + np.array([0.5, 2.0]).tobytes())
    >>> float(raw["v(a)"][0])
    2.0
    """
    mark = b"Binary:\n"
    place = content.find(mark)
    if place < 0:
        raise SimulationError(
            f"{source}: no binary section; expected a binary result. Run ngspice without the ascii setting."
        )
    lines = content[:place].decode("latin-1").splitlines()
    fields = dict(line.split(":", 1) for line in lines if ":" in line and not line.startswith("\t"))
    if "complex" in fields.get("Flags", ""):
        raise SimulationError(f"{source}: values are complex; expected real. Use a transient analysis.")
    try:
        variables, points = int(fields["No. Variables"]), int(fields["No. Points"])
        begin = next(i for i, line in enumerate(lines) if line.startswith("Variables:")) + 1
        names = [line.split()[1].lower() for line in lines[begin : begin + variables]]
    except (KeyError, ValueError, IndexError, StopIteration) as error:
        raise SimulationError(
            f"{source}: the header lacks counts or names of its vectors. Run ngspice again."
        ) from error
    data = np.frombuffer(content[place + len(mark) :], dtype="<f8")
    if len(names) != variables or data.size < variables * points:
        raise SimulationError(
            f"{source}: {data.size} values, expected {variables * points}; the file is cut. Run ngspice again."
        )
    table = data[: variables * points].reshape(points, variables)
    return {name: table[:, i].copy() for i, name in enumerate(names)}
