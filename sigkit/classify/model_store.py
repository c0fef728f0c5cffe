"""Models as folders: estimator by skops under a closed list of types, settings, checksums, card."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
import zipfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from sigkit.classify.condition_pipeline import COVERAGE, ConditionPipeline
from sigkit.errors import ModelError, SettingsError
from sigkit.features.condition_features import FEATURES_VERSION, feature_names
from sigkit.shipped import shipped_models

#: The only types a model file may hold beside plain numpy; never taken from the file.
TRUSTED_TYPES = (
    "sklearn.ensemble._hist_gradient_boosting.predictor.TreePredictor",
    "sklearn._loss.link.Interval",
    "sklearn._loss.link.MultinomialLogit",
    "sklearn._loss.loss.HalfMultinomialLoss",
    "sklearn._loss._loss.CyHalfMultinomialLoss",
    "sklearn.ensemble._hist_gradient_boosting.binning._BinMapper",
)
FILES = ("estimator.skops", "model.json", "recipe.json", "evaluation.json", "card.md")
CHECKSUMS = "checksums.json"


@dataclass(frozen=True, eq=False)
class Model:
    """A loaded model.

    Attributes
    ----------
    identifier : str
        ``name-version``.
    content_hash : str
        SHA-256 over the checksums of its files.
    seed : int
    pipeline : ConditionPipeline
    evaluation : dict
        Figures on unseen engines, as written by the training run.
    """

    identifier: str
    content_hash: str
    seed: int
    pipeline: ConditionPipeline
    evaluation: dict[str, Any] = field(default_factory=dict)


def save_model(
    pipeline: ConditionPipeline, folder: str | Path, recipe: dict[str, Any], evaluation: dict[str, Any], card: str
) -> None:
    """Write a model folder; it is complete or not there.

    Raises
    ------
    ModelError
        When the folder exists.
    """
    import skops.io

    folder = Path(folder)
    if folder.exists():
        raise ModelError(f"{folder} exists already; choose another version")
    folder.parent.mkdir(parents=True, exist_ok=True)
    work = Path(tempfile.mkdtemp(prefix=".unfinished-", dir=folder.parent))
    try:
        skops.io.dump(pipeline.estimator, work / "estimator.skops", compression=zipfile.ZIP_DEFLATED, compresslevel=9)
        settings = {
            "format": 1, "features_version": FEATURES_VERSION, "feature_names": list(pipeline.feature_names),
            "classes": list(pipeline.classes), "temperature": pipeline.temperature,
            "offsets": [float(offset) for offset in pipeline.offsets], "threshold": pipeline.threshold,
            "coverage": COVERAGE, "seed": pipeline.seed, "iterations": pipeline.iterations,
        }  # fmt: skip
        for name, value in (("model.json", settings), ("recipe.json", recipe), ("evaluation.json", evaluation)):
            (work / name).write_text(json.dumps(value, indent=1) + "\n", encoding="utf-8")
        (work / "card.md").write_text(card, encoding="utf-8")
        sums = {name: _sha256(work / name) for name in FILES}
        (work / CHECKSUMS).write_text(json.dumps(sums, indent=1) + "\n", encoding="utf-8")
        os.chmod(work, 0o755)
        os.replace(work, folder)
    finally:
        shutil.rmtree(work, ignore_errors=True)


def verify_model(folder: str | Path) -> dict[str, str]:
    """Check that a model folder holds exactly its files, with their checksums; return the checksums.

    Raises
    ------
    ModelError
        Names the first file that is missing or differs.
    """
    folder = Path(folder)
    try:
        sums: dict[str, str] = json.loads((folder / CHECKSUMS).read_text(encoding="utf-8"))
    except (OSError, ValueError) as fault:
        raise ModelError(f"{folder}: {CHECKSUMS} cannot be read: {fault}; get the model again") from fault
    for name in FILES:
        path = folder / name
        if not path.is_file():
            raise ModelError(f"{folder}: {name} is missing; get the model again")
        if sums.get(name) != _sha256(path):
            raise ModelError(f"{folder}: {name} differs from its checksum; get the model again or train it anew")
    return sums


def load_model(name_or_folder: str) -> Model:
    """Load a model by name (shipped) or folder.

    Raises
    ------
    ModelError
        When it is unknown, damaged or holds a type that is not trusted.
    SettingsError
        When it was trained with other features than this version computes.
    """
    folder = find_model(name_or_folder)
    sums = verify_model(folder)
    settings = json.loads((folder / "model.json").read_text(encoding="utf-8"))
    if settings["features_version"] != FEATURES_VERSION or tuple(settings["feature_names"]) != feature_names():
        raise SettingsError(
            f"{folder}: the model was trained with other features than this version of sigkit computes; "
            "use the version it came with, or train it anew"
        )
    estimator = _load_estimator(folder / "estimator.skops")
    pipeline = ConditionPipeline(tuple(settings["feature_names"]), settings["seed"], settings["iterations"])
    pipeline.estimator = estimator
    pipeline.classes = tuple(settings["classes"])
    pipeline.temperature, pipeline.threshold = float(settings["temperature"]), float(settings["threshold"])
    pipeline.offsets = np.array(settings["offsets"], dtype=float)
    evaluation = json.loads((folder / "evaluation.json").read_text(encoding="utf-8"))
    content = hashlib.sha256(json.dumps(sums, sort_keys=True).encode()).hexdigest()
    return Model(folder.name, content, int(settings["seed"]), pipeline, evaluation)


def load_default_model() -> Model | None:
    """Load the newest shipped model, None when none is shipped."""
    names = list_models()
    return load_model(names[-1]) if names else None


def list_models() -> list[str]:
    """Return the names of the shipped models, oldest version first."""
    root = shipped_models()
    if root is None:
        return []
    found = [path.name for path in root.iterdir() if (path / CHECKSUMS).is_file()]
    return sorted(found, key=lambda name: [int(x) if x.isdigit() else 0 for x in name.rpartition("-")[2].split(".")])


def find_model(name_or_folder: str) -> Path:
    """Return the folder of a model by name or path; ModelError when there is none."""
    folder = Path(name_or_folder)
    if (folder / CHECKSUMS).is_file():
        return folder
    root = shipped_models()
    if root is not None and (root / name_or_folder / CHECKSUMS).is_file():
        return root / name_or_folder
    known = ", ".join(list_models()) or "none"
    raise ModelError(f"there is no model {name_or_folder!r}; shipped: {known}; or give a model folder")


def _load_estimator(path: Path) -> Any:
    import skops.io
    from skops.io.exceptions import UntrustedTypesFoundException

    try:
        foreign = sorted(set(skops.io.get_untrusted_types(file=path)) - set(TRUSTED_TYPES))
        if foreign:
            raise ModelError(f"{path}: holds types that are not trusted: {', '.join(foreign)}; do not use this file")
        estimator = skops.io.load(path, trusted=list(TRUSTED_TYPES))
    except UntrustedTypesFoundException as fault:
        raise ModelError(f"{path}: holds types that are not trusted: {fault}") from fault
    except (OSError, ValueError, KeyError, TypeError, EOFError) as fault:
        raise ModelError(f"{path}: cannot be loaded: {fault}; get the model again") from fault
    _check_trees(path, estimator)
    return estimator


def _check_trees(path: Path, estimator: Any) -> None:
    """Refuse tree arrays that point outside themselves: they could crash the process at predict."""
    for stage in getattr(estimator, "_predictors", []):
        for tree in stage:
            nodes = tree.nodes
            inner = nodes["is_leaf"] == 0
            if np.any(nodes["is_categorical"]):
                raise ModelError(f"{path}: a tree asks for categories, which no feature has; do not use this file")
            for side in ("left", "right"):
                # A child stands behind its parent, so no walk through the tree can go round for ever.
                if np.any(nodes[side][inner] >= nodes.size) or np.any(nodes[side][inner] <= np.flatnonzero(inner)):
                    raise ModelError(f"{path}: a tree points outside itself; do not use this file")
            if np.any(nodes["feature_idx"][inner] >= estimator.n_features_in_):
                raise ModelError(f"{path}: a tree asks for a feature that does not exist; do not use this file")


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()
