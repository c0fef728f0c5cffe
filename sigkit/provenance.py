"""Where a result comes from: versions, content hashes, and seeds nobody can pick."""

from __future__ import annotations

import hashlib
import platform
import subprocess
from collections.abc import Iterable, Mapping
from importlib import metadata
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

import sigkit

#: Packages whose version can change a number.
PACKAGES = ("numpy", "scipy", "scikit-learn", "PyWavelets", "pyarrow", "h5py", "joblib", "skops")
_BLOCK = 1 << 20


def versions() -> dict[str, str]:
    """Return the versions of Python, sigkit and the packages whose version can change a number.

    Examples
    --------
    >>> sorted(versions())[:2]
    ['PyWavelets', 'h5py']
    """
    found = {"python": platform.python_version(), "sigkit": sigkit.__version__}
    for package in PACKAGES:
        try:
            found[package] = metadata.version(package)
        except metadata.PackageNotFoundError:
            found[package] = "not installed"
    return found


def array_hash(array: NDArray) -> str:
    """Return the SHA-256 of an array's type, shape and values.

    Byte order and memory layout do not matter; text arrays count by their text, NaN equals NaN.

    Parameters
    ----------
    array : ndarray, any shape
        Numbers, booleans, or text (object or fixed width).

    Returns
    -------
    str
        64 hexadecimal digits.

    Examples
    --------
    >>> array_hash(np.arange(3, dtype=">i4")) == array_hash(np.arange(3, dtype="<i4"))
    True
    """
    array = np.asarray(array)
    digest = hashlib.sha256()
    if array.dtype.kind in "OUS":
        digest.update(f"text{array.shape}".encode())
        for item in array.ravel().tolist():
            text = ("" if item is None else str(item)).encode()
            digest.update(len(text).to_bytes(8, "little") + text)
        return digest.hexdigest()
    digest.update(f"{array.dtype.kind}{array.dtype.itemsize}{array.shape}".encode())
    if array.dtype.kind in "fc":
        # One bit pattern for NaN and for zero, so equal arrays hash alike.
        array = np.where(np.isnan(array), np.array(np.nan, array.dtype), array) + np.array(0, array.dtype)
    flat = array.reshape(-1)
    for start in range(0, flat.size, _BLOCK):
        part = flat[start : start + _BLOCK]
        digest.update(part.astype(part.dtype.newbyteorder("<"), order="C").tobytes())
    return digest.hexdigest()


def file_hash(path: str | Path) -> str:
    """Return the SHA-256 of a file's bytes, read in blocks."""
    with open(path, "rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def table_hash(table: Mapping[str, NDArray]) -> str:
    """Return the SHA-256 of a table's columns; their order does not matter, the order of rows does.

    Examples
    --------
    >>> one, two = np.arange(2), np.ones(2)
    >>> table_hash({"a": one, "b": two}) == table_hash({"b": two, "a": one})
    True
    """
    return _joined_hash((name, array_hash(table[name])) for name in sorted(table))


def dataset_hash(captures: Iterable[tuple[str, NDArray, Mapping[str, NDArray]]]) -> str:
    """Return the content hash of a data set: its sorted ids, samples and labels.

    Parameters
    ----------
    captures : iterable of (str, ndarray, mapping of str to ndarray)
        Id, samples and label columns of every capture (or channel), in any order; ids are unique.

    Raises
    ------
    ValueError
        When an id occurs twice.
    """
    rows = [(identity, array_hash(samples) + table_hash(labels)) for identity, samples, labels in captures]
    if len({identity for identity, _ in rows}) < len(rows):
        raise ValueError("two captures of the data set share an id")
    return _joined_hash(sorted(rows))


def tree_hash(path: str | Path | None = None) -> str:
    """Return the hash of the committed ``sigkit/`` tree, or of its files where there is no checkout.

    In a git checkout this is the tree object of ``HEAD``, so work that is not committed does not count.
    Elsewhere (an installed wheel) it is the SHA-256 over the sorted names and contents of the files.

    Parameters
    ----------
    path : str or Path, optional
        The folder; by default the running package's own.

    Returns
    -------
    str
        ``"git:<tree>"`` or ``"files:<sha256>"``.
    """
    folder = Path(path) if path is not None else Path(sigkit.__file__).parent
    tree = _git(folder, "rev-parse", "HEAD:./")
    if tree:
        return f"git:{tree}"
    files = sorted(part for part in folder.rglob("*") if part.is_file() and "__pycache__" not in part.parts)
    return "files:" + _joined_hash((part.relative_to(folder).as_posix(), file_hash(part)) for part in files)


def has_uncommitted_changes(path: str | Path | None = None) -> bool:
    """Tell whether the folder (default: the running package) is in a checkout and differs from ``HEAD``."""
    folder = Path(path) if path is not None else Path(sigkit.__file__).parent
    return bool(_git(folder, "status", "--porcelain", "--", "."))


def study_seed(protocol_path: str | Path, path: str | Path | None = None) -> int:
    """Return the seed of a study, drawn from the committed ``sigkit/`` tree and the protocol file.

    Nobody can pick a lucky seed: another seed needs other code or another protocol.

    Parameters
    ----------
    protocol_path : str or Path
        The protocol (TOML) of the study; its bytes count.
    path : str or Path, optional
        The source tree, see `tree_hash`.

    Returns
    -------
    int
        0 to 2**64 - 1, for ``numpy.random.default_rng``.
    """
    return seed_from(tree_hash(path), file_hash(protocol_path))


def seed_from(*parts: str | int) -> int:
    """Return a seed (0 to 2**64 - 1) drawn from texts and numbers, the same on every machine.

    Examples
    --------
    >>> seed_from("engine", 3) == seed_from("engine", 3) != seed_from("engine", 4)
    True
    """
    return int(_joined_hash((type(part).__name__, str(part)) for part in parts)[:16], 16)


def _joined_hash(rows: Iterable[tuple[str, str]]) -> str:
    digest = hashlib.sha256()
    for row in rows:
        for text in row:
            content = text.encode()
            digest.update(len(content).to_bytes(8, "little") + content)
    return digest.hexdigest()


def _git(folder: Path, *words: str) -> str:
    """Return what git prints in the folder, ``""`` without git, outside a checkout or if it fails."""
    try:
        done = subprocess.run(
            ["git", "-C", str(folder), *words], capture_output=True, text=True, check=False, timeout=60
        )
    except (OSError, subprocess.TimeoutExpired):
        return ""
    return done.stdout.strip() if done.returncode == 0 else ""
