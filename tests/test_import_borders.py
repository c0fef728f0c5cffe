"""Who may import whom: read from the syntax trees, imports inside functions included."""

from __future__ import annotations

import ast
import tomllib
from pathlib import Path

import pytest

import sigkit

PACKAGE = Path(sigkit.__file__).parent
#: Ranks of the design, section 2, written down here a second time: the project file must not drift.
RANKS = {
    "units": 0, "errors": 0, "interruption": 0, "types": 1, "contracts": 1,
    "registry": 2, "provenance": 2, "jobs": 2, "shipped": 2,
    "score": 3, "capture": 3, "simulate": 3, "prepare": 3, "corpus": 4, "detect": 4, "locate": 5, "measure": 6,
    "context": 7, "features": 8, "classify": 9, "report": 10, "bench": 11, "label": 11, "screen": 11, "cli": 12,
}  # fmt: skip
#: Rooms of one rank that may know each other: contracts speak of types.
WITHIN_RANK = {("contracts", "types")}


def imported_rooms(source: str, module: str) -> set[str]:
    """Return the rooms of sigkit a module's source imports anywhere in it."""
    package = module.split(".") if module.endswith("__init__") else module.split(".")[:-1]
    found = set()
    for node in ast.walk(ast.parse(source)):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            start = ".".join(package[: len(package) - node.level + 1]) if node.level else ""
            origin = ".".join(part for part in (start, node.module or "") if part)
            names = [f"{origin}.{alias.name}" for alias in node.names] if origin == "sigkit" else [origin]
        elif (
            isinstance(node, ast.Call) and getattr(node.func, "attr", getattr(node.func, "id", "")) == "import_module"
            and node.args and isinstance(node.args[0], ast.Constant)
        ):  # fmt: skip
            names = [str(node.args[0].value)]
        found |= {name.split(".")[1] for name in names if name.startswith("sigkit.")}
    return found


def modules() -> list[tuple[str, str, Path]]:
    """Return room, dotted name and path of every module in a room."""
    listed = []
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
        if parts[1] not in ("__init__", "guide", "_shipped"):
            listed.append((parts[1], ".".join(parts), path))
    return listed


def test_the_walk_sees_imports_wherever_they_stand():
    source = (
        "import sigkit.units\nfrom sigkit import jobs, __version__\n"
        "def f():\n    from ..score import match\n    from sigkit.detect.x import y\n"
        "    import_module('sigkit.cli.main')\n"
    )
    found = imported_rooms(source, "sigkit.measure.part")
    assert {"units", "jobs", "score", "detect", "cli"} <= found


def test_every_room_has_a_rank_and_rooms_are_really_there():
    rooms = {room for room, _, _ in modules()}
    assert rooms <= set(RANKS)
    assert len(modules()) > 100


@pytest.mark.parametrize("room", sorted(RANKS))
def test_a_room_imports_lower_ranks_only(room):
    wrong = []
    for own, name, path in modules():
        if own != room:
            continue
        for other in imported_rooms(path.read_text(encoding="utf-8"), name) - {own, "__version__"}:
            allowed = RANKS.get(other, 99) < RANKS[own] or (own, other) in WITHIN_RANK
            if not allowed:
                wrong.append(f"{name} imports sigkit.{other}")
    assert wrong == []


@pytest.mark.parametrize(
    ("room", "never"),
    [
        ("simulate", {"detect", "locate", "measure", "prepare", "features", "classify"}),
        ("score", {"detect", "locate", "measure", "features", "classify", "simulate", "context"}),
        ("measure", {"corpus", "label", "simulate"}),
    ],
)
def test_borders_that_matter_most(room, never):
    own = [(name, path) for place, name, path in modules() if place == room]
    assert len(own) > 3
    for name, path in own:
        assert imported_rooms(path.read_text(encoding="utf-8"), name) & never == set(), name


def test_the_project_file_says_the_same():
    settings = tomllib.loads((Path(__file__).parents[1] / "pyproject.toml").read_text(encoding="utf-8"))
    layers = next(c for c in settings["tool"]["importlinter"]["contracts"] if c["type"] == "layers")["layers"]
    place = {}
    for height, layer in enumerate(reversed(layers)):
        for room in layer.split("|"):
            place[room.strip()] = height
    assert set(place) == set(RANKS)
    for one, rank in RANKS.items():
        for other, other_rank in RANKS.items():
            if rank < other_rank:
                assert place[one] < place[other], f"{one} must lie below {other}"
