"""The contribution path by commands alone, and shipped data sets held against the vocabulary's own validator."""

from __future__ import annotations

import json
import re
import shlex
import shutil
from hashlib import sha256
from importlib import resources
from pathlib import Path
from zipfile import ZipFile

import pytest

from sigkit.cli.main import main
from sigkit.corpus.dataset import Dataset
from sigkit.corpus.dataset_card import dataset_card

DATASETS = Path(__file__).resolve().parents[2] / "datasets"
PRIVATE = (b"Invented Person", b"INV-0001", b"INV 123", b"0.0000 N", b"2026-11-20")


def run(capsys, *arguments: object) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as ended:
        main([str(one) for one in arguments])
    shown = capsys.readouterr()
    return int(ended.value.code or 0), shown.out, shown.err


def validated(folder: Path):
    """Return the metadata as the vocabulary's own validator reads it; it raises on errors."""
    import mlcroissant

    found = mlcroissant.Dataset(folder / "dataset.json")
    assert found.metadata.ctx.issues.errors == set()
    assert found.metadata.ctx.issues.warnings == set()
    return found


# The validator's RDF library warns of a class of its own.
@pytest.mark.filterwarnings("ignore:ConjunctiveGraph is deprecated:DeprecationWarning")
@pytest.mark.parametrize("name", ["river-ferry-demo", "ferry-contribution"])
def test_shipped_metadata_is_valid_and_lists_the_manifest(name):
    found = validated(DATASETS / name)
    opened = Dataset.open(DATASETS / name)
    rows = list(found.records("manifest"))
    assert [row["manifest/capture"].decode() for row in rows] == opened.manifest["capture"].to_pylist()
    splits = {row["splits/engine"].decode(): row["splits/split"].decode() for row in found.records("splits")}
    assert splits == opened.splits


@pytest.mark.parametrize("name", ["river-ferry-demo", "ferry-contribution"])
def test_shipped_cards_are_made_from_the_data(name):
    opened = Dataset.open(DATASETS / name)
    card = (DATASETS / name / "CARD.md").read_text(encoding="utf-8")
    assert card == dataset_card(opened)
    assert "**Invented.**" in card


def test_shipped_contribution_is_what_its_script_makes(maker, tmp_path):
    home = tmp_path / "ferry-contribution"
    maker.main(home)
    shipped = DATASETS / "ferry-contribution"
    names = sorted(path.relative_to(home) for path in home.rglob("*") if path.is_file())
    assert names == sorted(path.relative_to(shipped) for path in shipped.rglob("*") if path.is_file())
    assert sum((shipped / name).stat().st_size for name in names) < 300_000
    told: dict[str, str] = {}  # checksums in what was shipped, and what they are here
    for name in sorted(names, key=lambda one: (one.suffix != ".npz", one.name == "dataset.json", one)):
        made, there = (home / name).read_bytes(), (shipped / name).read_bytes()
        if name.suffix == ".npz":  # versions of Python differ in the head of a zip
            with ZipFile(home / name) as one, ZipFile(shipped / name) as other:
                assert one.namelist() == other.namelist()
                for mine, theirs in zip(one.infolist(), other.infolist(), strict=True):
                    assert (mine.date_time, mine.compress_type) == (theirs.date_time, theirs.compress_type)
                    assert one.read(mine) == other.read(theirs), (name, mine.filename)
        else:
            text = there.decode()
            for before, now in told.items():
                text = text.replace(before, now)
            if name.name == "dataset.json":  # it names the versions that made it
                mine, theirs = json.loads(made), json.loads(text)
                assert mine["sigkit"].pop("versions")
                assert theirs["sigkit"].pop("versions")
                assert mine == theirs
            else:
                assert made.decode() == text, name
        told[sha256(there).hexdigest()] = sha256(made).hexdigest()


def guide_blocks(language: str) -> list[str]:
    """Return the code blocks of the guide to data sets in one language, ``""`` for commands."""
    text = resources.files("sigkit.guide").joinpath("datasets.md").read_text(encoding="utf-8")
    return re.findall(rf"^```{language}\n(.*?)^```", text, flags=re.DOTALL | re.MULTILINE)


def guide_walk() -> list[list[str]]:
    """Return the commands of the guide's walk, without ``sigkit``."""
    block = next(one for one in guide_blocks("") if "sigkit dataset new" in one)
    return [shlex.split(line)[1:] for line in block.replace("\\\n", " ").splitlines()]


@pytest.mark.filterwarnings("ignore:ConjunctiveGraph is deprecated:DeprecationWarning")
def test_from_an_empty_folder_to_an_agreement_report_by_the_commands_of_the_guide(
    maker, tmp_path, capsys, monkeypatch
):
    monkeypatch.chdir(tmp_path)
    made = maker.write_recordings(tmp_path / "recordings")
    maker.write_readings(tmp_path, made)
    walk = guide_walk()
    assert [words[:2] for words in walk] == [
        ["dataset", "new"], ["dataset", "import"], ["dataset", "verify"], ["dataset", "split"], ["label", "ferry"],
        ["label", "import"], ["dataset", "agreement"], ["dataset", "card"], ["dataset", "verify"],
        ["dataset", "export"]]  # fmt: skip
    said = {}
    for words in walk:
        if words[:2] == ["label", "ferry"]:
            # The page needs a person (the browser tests drive it); this reader's values come from a file too.
            words = ["label", "import", "r01.csv", "--dataset", "ferry", "--reader", "r01"]
        engines = maker.ENGINES if words[1] == "import" and words[0] == "dataset" else {"e01": ("coil_on_plug", "")}
        for engine, (ignition_type, _) in engines.items():
            line = [word.replace("e01", engine).replace("coil_on_plug", ignition_type) for word in words]
            code, said[" ".join(line)], err = run(capsys, *line)
            assert code == 0, err
            if line[1] == "import" and line[0] == "dataset":
                assert "owner" in said[" ".join(line)]  # what was left out is named, not shown
                assert "Invented Person" not in said[" ".join(line)]
    assert "4 engines, 4 captures, not split yet, 0 labels" in said["dataset verify ferry"]
    assert "4 splits, 64 labels of 2 readers" in said["dataset verify ferry --strict"]
    assert "r01 - r02" in said["dataset agreement ferry --out agreement"]
    for form in ("csv", "parquet", "numpy"):
        assert run(capsys, "dataset", "export", "ferry", "--out", f"out-{form}", "--format", form)[0] == 0
    validated(tmp_path / "ferry")
    opened = Dataset.open(tmp_path / "ferry")
    assert opened.dataset_hash in run(capsys, "dataset", "verify", "ferry")[1]
    card = (tmp_path / "ferry" / "CARD.md").read_text(encoding="utf-8")
    assert "| r02 | imported | 32 |" in card
    for folder in ("ferry", "agreement", "out-csv", "out-parquet", "out-numpy", "ferry-ts"):
        content = b"".join(path.read_bytes() for path in (tmp_path / folder).rglob("*") if path.is_file())
        assert content
        assert not any(word in content for word in PRIVATE)


def test_python_of_the_guide_runs(monkeypatch, capsys):
    monkeypatch.chdir(DATASETS.parent)
    blocks = guide_blocks("python")
    assert len(blocks) == 1
    exec(compile(blocks[0], "datasets.md", "exec"), {})
    assert "e01/e01-001.npz ['lead_1', 'lead_2']" in capsys.readouterr().out


def test_commands_say_what_to_do(tmp_path, capsys, ferry):
    code, _, err = run(capsys, "dataset", "verify", tmp_path / "nothing")
    assert code == 1
    assert "make one with sigkit dataset new" in err
    code, _, err = run(capsys, "dataset", "split", ferry)
    assert code == 1
    assert "use --add" in err
    code, _, err = run(capsys, "dataset", "new", ferry, "--description", "x")
    assert code == 1
    assert "no empty folder" in err
    code, _, err = run(capsys, "dataset", "new", tmp_path / "made", "--description", "x", "--published", "soon")
    assert code == 2
    assert "soon" in err
    shutil.copy(ferry / "captures" / "e01" / "e01-001.npz", ferry / "captures" / "loose.npz")
    code, _, err = run(capsys, "dataset", "verify", ferry, "--strict")
    assert code == 1
    assert "loose.npz" in err
