"""Draw the splits of a data set once: whole engines, stratified, by a seed, then frozen."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from sigkit.corpus.describe import write_description
from sigkit.corpus.description import own_part, read_description
from sigkit.corpus.manifest import manifest_rules, read_manifest
from sigkit.corpus.splits import FILE_NAME, RULES, SPLITS
from sigkit.corpus.typed_csv import read_typed_csv, write_typed_csv
from sigkit.errors import DatasetError

#: Share of the engines in each split (our choice).
SHARES = {"train": 0.5, "calibrate": 0.15, "develop": 0.15, "test": 0.2}


def draw_splits(
    strata: Mapping[str, str], seed: int, shares: Mapping[str, float] = SHARES, fixed: Mapping[str, str] | None = None
) -> dict[str, str]:
    """Return a split for each engine; engines of one stratum spread over the splits as evenly as counts allow.

    Every split gets an engine when there are as many engines as splits.

    Parameters
    ----------
    strata : mapping of str to str
        Engine -> stratum.
    seed : int
    shares : mapping of str to float
        Split -> share, 0 to 1; they need not sum to 1.
    fixed : mapping of str to str, optional
        Engines that stay where they are.

    Examples
    --------
    >>> found = draw_splits({f"e{k}": "shared_coil" for k in range(10)}, seed=1)
    >>> sorted(list(found.values()).count(split) for split in SHARES)
    [1, 2, 2, 5]
    """
    chosen = dict(fixed or {})
    open_engines = sorted(strata.keys() - chosen.keys())
    names = [split for split in SPLITS if shares.get(split, 0) > 0]
    if not names:
        raise ValueError("no split has a share above 0")
    weight = np.array([shares[split] for split in names], dtype=float)
    weight /= weight.sum()
    have = np.array([list(chosen.values()).count(split) for split in names])
    # Room of each split: one engine first, then by share (largest remainder one at a time).
    room = np.zeros(len(names), dtype=int)
    for _ in open_engines:
        missing = np.where(have + room == 0, 1e9 + weight, weight * (have.sum() + room.sum() + 1) - have - room)
        room[int(np.argmax(missing))] += 1
    rng = np.random.default_rng(seed)
    for stratum in sorted({strata[engine] for engine in open_engines}):
        members = [engine for engine in open_engines if strata[engine] == stratum]
        rng.shuffle(members)
        inside = np.array([sum(strata.get(engine) == stratum and its == split for engine, its in chosen.items())
                           for split in names])  # fmt: skip
        for engine in members:
            lack = np.where(room > 0, weight * (inside.sum() + 1) - inside + 1e-6 * room, -np.inf)
            best = int(np.argmax(lack))
            chosen[engine] = names[best]
            inside[best] += 1
            room[best] -= 1
    return {engine: chosen[engine] for engine in sorted(chosen)}


def make_splits(
    folder: str | Path, seed: int, shares: Mapping[str, float] = SHARES, *, add: bool = False
) -> dict[str, str]:
    """Draw ``splits.csv`` and freeze it; with ``add`` only engines that are in no split yet are drawn.

    Strata: ignition type and origin of the engine's captures.

    Returns
    -------
    dict of str to str
        Engine -> split, of all engines.

    Raises
    ------
    DatasetError
        When the data set is split already (without ``add``), has no engine, or an engine stands in two splits.
    """
    home = Path(folder)
    rules = manifest_rules(own_part(read_description(home)).get("columns") or {})
    rows = read_manifest(home, rules)
    if not rows:
        raise DatasetError(str(home), "has no captures yet", "run sigkit dataset import first")
    strata: dict[str, set[str]] = {}
    for row in rows:
        strata.setdefault(row["engine"], set()).add(f"{row.get('ignition_type') or ''} {row['origin']}")
    fixed: dict[str, str] = {}
    path = home / FILE_NAME
    if path.exists():
        if not add:
            raise DatasetError(FILE_NAME, "is there already; splits are drawn once, since results belong to them",
                               "use --add for new engines, which leaves the others where they are")  # fmt: skip
        write_description(home)  # refuses when the frozen file was changed
        for row in read_typed_csv(path, RULES, FILE_NAME):
            if fixed.setdefault(row["engine"], row["split"]) != row["split"]:
                raise DatasetError(FILE_NAME, f"the engine {row['engine']!r} stands in two splits", "delete one line")
    splits = draw_splits({name: "+".join(sorted(kinds)) for name, kinds in strata.items()}, seed, shares, fixed)
    write_typed_csv(path, list(RULES), [{"engine": engine, "split": split} for engine, split in splits.items()])
    drawn = {"seed": seed, "shares": dict(shares)}
    if fixed:
        # How the first engines were drawn stays on record.
        before = own_part(read_description(home)).get("splits") or {}
        fresh = sorted(splits.keys() - fixed.keys())
        added = [*before.get("added", []), *([{**drawn, "engines": fresh}] if fresh else [])]
        drawn = {name: value for name, value in before.items() if name != "sha256"}
        drawn |= {"added": added} if added else {}
    write_description(home, splits=drawn)
    return splits
