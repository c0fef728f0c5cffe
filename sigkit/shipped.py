"""Where the data that ships with sigkit lies, in a checkout and in an installed wheel."""

from __future__ import annotations

from pathlib import Path

from sigkit.errors import SigkitError

DEMO = "river-ferry-demo"


def _roots() -> tuple[Path, ...]:
    package = Path(__file__).resolve().parent
    return package / "_shipped", package.parent


def shipped_models() -> Path | None:
    """Return the folder of shipped models, None when there is none."""
    for root in _roots():
        if (root / "models").is_dir():
            return root / "models"
    return None


def shipped_protocols() -> Path:
    """Return the folder of the benchmark's protocols.

    Raises
    ------
    SigkitError
        When it is not part of this installation.
    """
    shipped, home = _roots()
    for folder in (shipped / "protocols", home / "benchmarks" / "protocols"):
        if folder.is_dir():
            return folder
    raise SigkitError("the protocols are not part of this installation; install sigkit from its wheel or checkout")


def demo_archive() -> Path:
    """Return the folder of the demo captures.

    Raises
    ------
    SigkitError
        When it is not part of this installation.
    """
    for root in _roots():
        folder = root / "datasets" / DEMO / "captures"
        if folder.is_dir():
            return folder
    raise SigkitError("the demo archive is not part of this installation; install sigkit from its wheel or checkout")


def said_of(what: str) -> str:
    """Return how a place is called in reports: the demo archive by its short name, anything else as it is."""
    try:
        return "demo" if what == str(demo_archive()) else what
    except SigkitError:
        return what
