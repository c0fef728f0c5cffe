"""Model folders: whole, verified, and refused when they differ."""

from __future__ import annotations

import json
import shutil

import numpy as np
import pytest

from sigkit.classify import model_store
from sigkit.classify.model_card import model_card
from sigkit.classify.model_store import list_models, load_default_model, load_model, save_model, verify_model
from sigkit.errors import ModelError, SettingsError
from sigkit.features.condition_features import feature_names
from sigkit.shipped import shipped_models


@pytest.fixture
def folder(tmp_path):
    name = list_models()[-1]
    copy = tmp_path / name
    shutil.copytree(shipped_models() / name, copy)
    return copy


def test_the_shipped_model_is_sound():
    model = load_default_model()
    assert model is not None
    assert model.identifier in list_models()
    judged = model.pipeline.judge(np.full((3, len(feature_names())), np.nan))
    np.testing.assert_allclose(judged.probability.sum(axis=1), 1.0)


def test_the_card_is_the_one_its_evaluation_gives(folder):
    recipe = json.loads((folder / "recipe.json").read_text())
    evaluation = json.loads((folder / "evaluation.json").read_text())
    assert (folder / "card.md").read_text() == model_card(recipe, evaluation)


@pytest.mark.parametrize("name", model_store.FILES)
def test_a_changed_file_is_refused(folder, name):
    (folder / name).write_bytes((folder / name).read_bytes() + b" ")
    with pytest.raises(ModelError, match=name.replace(".", r"\.")):
        load_model(str(folder))


def test_a_missing_file_is_refused(folder):
    (folder / "card.md").unlink()
    with pytest.raises(ModelError, match=r"card\.md is missing"):
        verify_model(folder)


def test_an_unknown_name_tells_the_known_ones():
    with pytest.raises(ModelError, match=list_models()[-1]):
        load_model("no-such-model")


def test_a_type_that_is_not_trusted_is_refused(folder, monkeypatch):
    monkeypatch.setattr(model_store, "TRUSTED_TYPES", ())
    with pytest.raises(ModelError, match="not trusted"):
        load_model(str(folder))


def test_other_feature_settings_are_refused(folder, monkeypatch):
    monkeypatch.setattr(model_store, "FEATURES_VERSION", -1)
    with pytest.raises(SettingsError, match="other features"):
        load_model(str(folder))


def test_a_tree_that_points_outside_itself_is_refused(folder):
    model = load_model(str(folder))
    tree = model.pipeline.estimator._predictors[0][0]
    inner = np.flatnonzero(tree.nodes["is_leaf"] == 0)[0]
    tree.nodes["left"][inner] = tree.nodes.size + 5
    with pytest.raises(ModelError, match="points outside itself"):
        model_store._check_trees(folder, model.pipeline.estimator)


def test_saving_gives_back_the_same_answers_and_never_overwrites(tmp_path):
    model = load_default_model()
    target = tmp_path / "copy-1.0.0"
    recipe = {"name": "copy", "version": "1.0.0", "seed": 1, "train": 1, "calibrate": 1, "conformalise": 1}
    card = model_card(recipe, model.evaluation)
    save_model(model.pipeline, target, recipe, model.evaluation, card)
    rows = np.random.default_rng(0).normal(size=(40, len(feature_names())))
    again = load_model(str(target)).pipeline
    np.testing.assert_array_equal(again.probability(rows), model.pipeline.probability(rows))
    with pytest.raises(ModelError, match="exists already"):
        save_model(model.pipeline, target, recipe, model.evaluation, card)
    assert [path.name for path in tmp_path.iterdir()] == ["copy-1.0.0"]
