"""Hashes say the same for equal content and something else for any change; seeds follow code and protocol."""

from __future__ import annotations

import hashlib
import subprocess

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from sigkit import provenance


def git(folder, *words):
    command = ["git", "-C", folder, "-c", "user.name=tester", "-c", "user.email=tester@example.org", *words]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    return done.stdout.strip()


@pytest.fixture
def checkout(tmp_path):
    """Return a git checkout with a committed package folder and an uncommitted protocol."""
    git(tmp_path, "init", "-q")
    package = tmp_path / "package"
    package.mkdir()
    (package / "part.py").write_text("x = 1\n")
    git(tmp_path, "add", "package")
    git(tmp_path, "commit", "-q", "-m", "first")
    (tmp_path / "study.toml").write_text("firings = 10\n")
    return tmp_path


def test_versions_name_python_sigkit_and_the_packages():
    found = provenance.versions()
    assert found["numpy"] == np.__version__
    assert found["sigkit"] == "0.1.0"
    assert found["python"].count(".") == 2


@given(hnp.arrays(np.float64, hnp.array_shapes(max_dims=2, max_side=5)))
def test_array_hash_ignores_layout_and_byte_order(array):
    expected = provenance.array_hash(array)
    assert provenance.array_hash(np.asfortranarray(array)) == expected
    assert provenance.array_hash(array.astype(">f8")) == expected
    assert provenance.array_hash(array + 0.0) == expected  # minus zero equals zero


@given(hnp.arrays(np.int16, st.integers(1, 20)), st.data())
def test_array_hash_sees_every_change(array, data):
    changed = array.copy()
    changed[data.draw(st.integers(0, len(array) - 1))] ^= 1
    hashes = {
        provenance.array_hash(other)
        for other in (array, changed, array.astype(np.int32), array[None, :], np.r_[array, array[-1:]])
    }
    assert len(hashes) == 5


def test_array_hash_of_text_knows_where_words_end():
    joined = {provenance.array_hash(np.array(words, dtype=object)) for words in (["ab", "c"], ["a", "bc"])}
    assert len(joined) == 2
    assert provenance.array_hash(np.array(["ab"])) == provenance.array_hash(np.array(["ab"], dtype=object))


def test_array_hash_in_blocks_equals_the_whole(monkeypatch):
    array = np.arange(1000.0)
    whole = provenance.array_hash(array)
    monkeypatch.setattr(provenance, "_BLOCK", 7)
    assert provenance.array_hash(array) == whole


def test_file_hash_is_sha256(tmp_path):
    (tmp_path / "abc").write_bytes(b"abc")
    # Published test vector of SHA-256 for "abc": FIPS 180-2, appendix B.1 (from memory), and hashlib.
    published = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert provenance.file_hash(tmp_path / "abc") == published == hashlib.sha256(b"abc").hexdigest()


def test_table_hash_follows_names_and_row_order():
    table = {"a": np.array([1.0, np.nan]), "b": np.array(["x", "y"], dtype=object)}
    same = provenance.table_hash(dict(reversed(table.items())))
    assert provenance.table_hash(table) == same
    assert provenance.table_hash({"a": table["a"][::-1], "b": table["b"]}) != same
    assert provenance.table_hash({"c": table["a"], "b": table["b"]}) != same


def test_dataset_hash_ignores_order_and_sees_labels():
    first = ("one", np.arange(4), {"burn_end_s": np.array([1.0])})
    second = ("two", np.arange(5), {"burn_end_s": np.array([2.0])})
    expected = provenance.dataset_hash([first, second])
    assert provenance.dataset_hash([second, first]) == expected
    moved = ("two", np.arange(5), {"burn_end_s": np.array([2.5])})
    assert provenance.dataset_hash([first, moved]) != expected
    with pytest.raises(ValueError, match="share an id"):
        provenance.dataset_hash([first, first])


def test_tree_hash_in_a_checkout_is_the_committed_tree(checkout):
    package = checkout / "package"
    expected = f"git:{git(checkout, 'rev-parse', 'HEAD:package')}"
    assert provenance.tree_hash(package) == expected
    assert not provenance.has_uncommitted_changes(package)
    (package / "part.py").write_text("x = 2\n")
    assert provenance.tree_hash(package) == expected
    assert provenance.has_uncommitted_changes(package)
    git(checkout, "commit", "-q", "-am", "second")
    assert provenance.tree_hash(package) != expected


def test_tree_hash_without_a_checkout_follows_names_and_contents(tmp_path):
    package = tmp_path / "package"
    package.mkdir()
    (package / "part.py").write_text("x = 1\n")
    expected = provenance.tree_hash(package)
    assert expected.startswith("files:")
    (package / "__pycache__").mkdir()
    (package / "__pycache__" / "part.pyc").write_bytes(b"0")
    assert provenance.tree_hash(package) == expected
    (package / "part.py").rename(package / "other.py")
    assert provenance.tree_hash(package) != expected


def test_study_seed_follows_committed_code_and_protocol(checkout):
    package, protocol = checkout / "package", checkout / "study.toml"
    seed = provenance.study_seed(protocol, package)
    assert seed == provenance.study_seed(protocol, package)
    assert 0 <= seed < 2**64
    protocol.write_text("firings = 11\n")
    other = provenance.study_seed(protocol, package)
    (package / "part.py").write_text("x = 3\n")
    git(checkout, "commit", "-q", "-am", "code")
    assert len({seed, other, provenance.study_seed(protocol, package)}) == 3
