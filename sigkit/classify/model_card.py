"""The card of a model, written from its recipe and the figures of its evaluation run."""

from __future__ import annotations

from typing import Any


def model_card(recipe: dict[str, Any], evaluation: dict[str, Any]) -> str:
    """Return the card as Markdown; every number in it comes from the arguments."""
    labels = evaluation["labels"]
    lines = [
        f"# {recipe['name']}-{recipe['version']}", "",
        "Suggests the condition of an ignition firing from what sigkit measured on it. A suggestion of where to look, "
        "never a finding.", "",
        "## How it was made", "",
        f"Gradient-boosted trees on simulated engines (seed {recipe['seed']}): {recipe['train']} engines to fit, "
        f"{recipe['calibrate']} others to calibrate, {recipe['conformalise']} others for the prediction sets. "
        "Simulated only: nothing is claimed about recorded engines.", "",
        "## Evaluation on unseen simulated engines", "",
        "| figure | value |", "|---|---|",
        f"| firings, engines | {evaluation['firings']}, {evaluation['engines']} |",
        f"| macro-F1 | {evaluation['macro_f1']:.3f} |",
        f"| balanced accuracy | {evaluation['balanced_accuracy']:.3f} |",
        f"| log loss | {evaluation['log_loss']:.3f} |",
        f"| share answered | {evaluation['answered_share']:.3f} |",
        f"| coverage of the sets (stated {evaluation['stated_coverage']:.2f}) | {evaluation['set_coverage']:.3f} |",
        f"| mean set size | {evaluation['mean_set_size']:.2f} |", "",
        "| condition | F1 |", "|---|---|",
        *(f"| {name} | {evaluation['f1'][name]:.3f} |" for name in labels), "",
        "Confusion matrix (rows: true, columns: answered):", "",
        "| | " + " | ".join(labels) + " |", "|---" * (len(labels) + 1) + "|",
        *(f"| {name} | " + " | ".join(map(str, row)) + " |"
          for name, row in zip(labels, evaluation["confusion"], strict=True)), "",
        "## Not for", "",
        "Decisions without a licensed practitioner; engines, pickups or faults outside the simulated ranges.", "",
    ]  # fmt: skip
    return "\n".join(lines)
