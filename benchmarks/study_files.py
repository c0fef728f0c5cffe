"""What the studies' files share: how a protocol is read, what is said about a run, and how results are written."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

from sigkit import provenance
from sigkit.score.plain import plain


def read_study(path: Path, name: str) -> dict[str, Any]:
    """Return the protocol of the study ``name``; one that cannot be read or is another's ends the run and says why."""
    try:
        found = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it is not UTF-8 text"
        raise SystemExit(f"{path}: the protocol cannot be read ({reason}); give the .toml file of a study") from error
    except tomllib.TOMLDecodeError as error:
        raise SystemExit(f"{path}: expected a protocol in TOML; {error}") from error
    if found.get("name") != name:
        raise SystemExit(f"{path}: expected name = {name!r}, found {found.get('name')!r}; give that study's protocol")
    return found


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
