"""What the studies' files share: what is said about a run, what warns of a look, and how both are written."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from sigkit import provenance
from sigkit.score.plain import plain


def about_study(protocol: Path, seed: int, **more: Any) -> dict[str, Any]:
    """Return what tells a run from others: protocol, tree, seed, versions, and what else is given."""
    return {"protocol": protocol.name, "protocol_sha256": provenance.file_hash(protocol), **about_run(seed, **more)}


def about_run(seed: int, **more: Any) -> dict[str, Any]:
    """Return the same of a study without a protocol."""
    return {
        "sigkit_tree": provenance.tree_hash(), "uncommitted_changes": provenance.has_uncommitted_changes(),
        "seed": seed, "versions": provenance.versions(), **more,
    }  # fmt: skip


def caveats(about: dict[str, Any], why: str) -> list[str]:
    """Return the lines above a table that is no result: ``why`` it is a look, and changes that are not committed."""
    lines = []
    if not about["complete"]:
        lines += [f"**A look, not a result: {why}.**", ""]
    if about["uncommitted_changes"]:
        lines += ["**Made with changes that are not committed: not a result.**", ""]
    return lines


def write_study(out: Path, name: str, found: dict[str, Any], text: str) -> None:
    """Write ``name.json`` and ``name.md``; a number JSON does not know becomes null."""
    out.mkdir(parents=True, exist_ok=True)
    held = json.dumps(plain(found), indent=1, ensure_ascii=False, allow_nan=False)
    (out / f"{name}.json").write_text(held + "\n", encoding="utf-8")
    (out / f"{name}.md").write_text(text, encoding="utf-8")
